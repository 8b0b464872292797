"""The anatomical frame of a scanned arch."""

from geometry.frame.frame import Frame, find_frame

__all__ = ["Frame", "find_frame"]
