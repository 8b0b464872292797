"""The plan: the timeline and the weeks ahead."""
