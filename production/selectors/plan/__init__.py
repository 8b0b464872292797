"""What the timeline, a block and the list of people show."""
