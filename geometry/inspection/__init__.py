"""Inspection of a scan while the patient is in the chair."""

from geometry.inspection.engine import ENGINE
from geometry.inspection.findings.finding import CODES, Finding, rounded_down, with_more
from geometry.inspection.inspect import inspect_scan
from geometry.inspection.limits import DEFAULT_LIMITS, LIMIT_NOTES, Limits
from geometry.inspection.result import Inspection
from geometry.inspection.warm import warm

__all__ = [
    "CODES",
    "DEFAULT_LIMITS",
    "ENGINE",
    "LIMIT_NOTES",
    "Finding",
    "Inspection",
    "Limits",
    "inspect_scan",
    "rounded_down",
    "warm",
    "with_more",
]
