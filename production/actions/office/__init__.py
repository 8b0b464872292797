"""What is kept true about lots, machines and prices."""
