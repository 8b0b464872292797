"""Series of step models, checked by their names and by their shapes."""

from geometry.series.check import LIMIT_MM, check_series
from geometry.series.names import Named, read_name
from geometry.series.warm import warm

__all__ = ["LIMIT_MM", "Named", "check_series", "read_name", "warm"]
