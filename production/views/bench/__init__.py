"""The bench: what to do next, loads, plates, appliances, the hand-over."""
