"""How true and how precise printed models are, measured on rescans of them."""

from geometry.accuracy.body import check_body
from geometry.accuracy.comparison import Comparison, compare_print
from geometry.accuracy.terms import Deviations, describe_offsets, trueness_and_precision

__all__ = [
    "Comparison",
    "Deviations",
    "check_body",
    "compare_print",
    "describe_offsets",
    "trueness_and_precision",
]
