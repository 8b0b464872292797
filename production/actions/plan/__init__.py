"""What people set by hand around the plan: places in it, work ahead, absences."""
