"""Registration of two scans, and whether they show the same mouth."""

from geometry.compare.compare import compare
from geometry.compare.register import Registration, register
from geometry.compare.warm import warm

__all__ = ["Registration", "compare", "register", "warm"]
