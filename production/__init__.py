"""From scan to hand-over."""
