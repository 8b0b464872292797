"""One open or closed surface: its edges, its faults and their mending."""
