"""Undercuts of a solid: where they lie, how deep, and what fills them."""
