"""Estimated thickness of a thermoformed sheet."""

from geometry.forming.estimate import Thickness, form_over
from geometry.forming.membrane import Formed, Ground, Sheet, form_sheet, round_sheet

__all__ = ["Formed", "Ground", "Sheet", "Thickness", "form_over", "form_sheet", "round_sheet"]
