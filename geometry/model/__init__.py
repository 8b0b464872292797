"""From an inspected scan to one closed, print-ready model."""

from geometry.model.making import ENGINE, prepare
from geometry.model.prepared import PreparedModel
from geometry.model.preview import preview
from geometry.model.settings import ModelSettings
from geometry.model.warming import warm

__all__ = ["ENGINE", "ModelSettings", "PreparedModel", "prepare", "preview", "warm"]
