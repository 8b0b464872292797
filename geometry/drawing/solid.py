"""A still picture of a print-ready model, from above and from the front."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from geometry.drawing.raster import render, view_from
from geometry.mesh import Mesh


def draw_solid(solid: Mesh, width: int, height: int) -> bytes:
    """Return a PNG of ``solid`` (standing on z = 0, front towards −y), seen from front above."""
    size = (2 * width, 2 * height)
    view = view_from(solid.vertices, np.array([0.25, -0.8, 0.75]), np.array([0.0, 0.0, 1.0]), size)
    image, _ = render(solid, view)
    # Drawn twice as large and reduced: the edges come out smooth.
    small = Image.fromarray(image).resize((width, height), Image.Resampling.BOX)
    out = io.BytesIO()
    small.save(out, "PNG", optimize=False)
    return out.getvalue()
