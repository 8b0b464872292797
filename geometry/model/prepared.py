"""The result of a preparation."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.plates.threemf import Part, write_threemf
from geometry.reading import write_stl


@dataclass(frozen=True)
class PreparedModel:
    """A print-ready model.

    Attributes
    ----------
    solid : Mesh
        Closed, wound outwards, standing on z = 0, biting surfaces towards +z, front
        teeth towards −y, coordinates as a file holds them (float32).
    transform : (4, 4) float64
        From file to model coordinates; a rigid motion, never a mirror.
    cut_z : float
        Height of the trim, mm.
    filled : (m,) bool
        Faces of the solid that are block-out.
    report : dict
        The keys of the design, ready for JSON.
    name : str
        What the model is called in a file that holds names.
    """

    solid: Mesh
    transform: NDArray[np.float64]
    cut_z: float
    filled: NDArray[np.bool_]
    report: dict[str, Any]
    name: str = "model"

    @cached_property
    def _stl(self) -> bytes:
        return write_stl(self.solid)

    def stl(self) -> bytes:
        """Return the model as binary STL; the same model gives the same bytes."""
        return self._stl

    @cached_property
    def _threemf(self) -> bytes:
        return write_threemf([Part(self.name, self.solid)])

    def threemf(self) -> bytes:
        """Return the model as 3MF (ISO/IEC 25422), named; the same model gives the same bytes."""
        return self._threemf
