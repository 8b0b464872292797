"""From an inspected scan to one closed, print-ready model."""
