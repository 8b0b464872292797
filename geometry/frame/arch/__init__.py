"""The row that the teeth make: its form, its front, the teeth in it, and which arch it is."""
