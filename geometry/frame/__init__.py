"""The anatomical frame of a scanned arch."""

from geometry.frame.clearing import Cleared, SoftTissue, clear
from geometry.frame.frame import TILT_OFF_BY, Frame, find_frame, find_frame_rolled
from geometry.frame.spee import CurveOfSpee, curve_of_spee
from geometry.frame.tilt import Tilt, measure_tilt
from geometry.frame.warm import warm

__all__ = [
    "TILT_OFF_BY",
    "Cleared",
    "CurveOfSpee",
    "Frame",
    "SoftTissue",
    "Tilt",
    "clear",
    "curve_of_spee",
    "find_frame",
    "find_frame_rolled",
    "measure_tilt",
    "warm",
]
