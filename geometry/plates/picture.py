"""A plate seen from above."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, ImageDraw, ImageFont

if TYPE_CHECKING:
    from geometry.plates.layout import Layout

_SHARPER = 2
_PAPER, _PLATE, _EDGE = (247, 245, 240), (233, 229, 220), (120, 114, 104)
_BODY, _LINE, _INK = (196, 214, 209), (42, 92, 88), (24, 40, 40)
_CLASH = (232, 178, 160)


def draw(layout: Layout, width: int, height: int) -> bytes:
    """Return a PNG: the plate with a grid of 10 mm, outlines and names; conflicts tinted."""
    size = (width * _SHARPER, height * _SHARPER)
    image = Image.new("RGB", size, _PAPER)
    pen = ImageDraw.Draw(image)
    wide, deep = layout.plate
    scale = 0.94 * min(size[0] / wide, size[1] / deep)
    left, low = (size[0] - scale * wide) / 2.0, (size[1] + scale * deep) / 2.0

    def at(points: np.ndarray) -> list[tuple[float, float]]:
        return [(left + scale * float(x), low - scale * float(y)) for x, y in points]

    (x0, y1), (x1, y0) = at(np.array([[0.0, 0.0], [wide, deep]]))
    pen.rectangle([x0, y0, x1, y1], fill=_PLATE, outline=_EDGE, width=2 * _SHARPER)
    for k in range(1, int(np.ceil(wide / 10.0))):
        pen.line(at(np.array([[10.0 * k, 0.0], [10.0 * k, deep]])), fill=_PAPER, width=_SHARPER)
    for k in range(1, int(np.ceil(deep / 10.0))):
        pen.line(at(np.array([[0.0, 10.0 * k], [wide, 10.0 * k]])), fill=_PAPER, width=_SHARPER)
    clashing = {c[key] for c in layout.conflicts() for key in ("first", "second") if key in c}
    font = ImageFont.load_default(size=max(10.0, 5.0 * scale))
    for placement, outline in zip(layout.placed, layout.outlines, strict=True):
        ring = at(np.asarray(outline.exterior.coords))
        fill = _CLASH if placement.index in clashing else _BODY
        pen.polygon(ring, fill=fill)
        pen.line(ring, fill=_LINE, width=_SHARPER, joint="curve")
        spot = outline.representative_point()
        pen.text(at(np.array([[spot.x, spot.y]]))[0], placement.name, _INK, font, anchor="mm")
    out = io.BytesIO()
    image.resize((width, height), Image.Resampling.BOX).save(out, "PNG")
    return out.getvalue()
