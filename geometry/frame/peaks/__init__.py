"""What each place that bites counts for the plane: what is a tip, and of which tooth."""
