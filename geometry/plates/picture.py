"""A plate seen from above."""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
import shapely
from PIL import Image, ImageDraw, ImageFont

from geometry.plates.layout import Layout

_SHARPER = 2
_SEARCH = 2.0
_APART = 0.4
_PAPER, _PLATE, _EDGE = (247, 245, 240), (233, 229, 220), (120, 114, 104)
_BODY, _LINE, _INK = (196, 214, 209), (42, 92, 88), (24, 40, 40)
_CLASH = (232, 178, 160)


def draw(layout: Layout, width: int = 960, height: int = 640) -> bytes:
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
    names = [placement.name for placement in layout.placed]
    sizes = [np.diff(np.reshape(font.getbbox(name), (2, 2)), axis=0)[0] / scale for name in names]
    for name, spot in zip(names, label_spots(layout.outlines, sizes), strict=True):
        pen.text(at(spot[None])[0], name, _INK, font, anchor="mm")
    out = io.BytesIO()
    image.resize((width, height), Image.Resampling.BOX).save(out, "PNG")
    return out.getvalue()


def label_spots(
    outlines: Sequence[shapely.Polygon], sizes: Sequence[np.ndarray]
) -> list[np.ndarray]:
    """Return where to write a name on each outline so that no two names lie over each other.

    Parameters
    ----------
    outlines : sequence of Polygon, mm
    sizes : sequence of (2,) float
        Width and height of each name, mm.

    Returns
    -------
    Middles (2,), each inside its outline; where no place is free, the one least covered.
    """
    taken: list[shapely.Polygon] = []
    out = []
    for k, (outline, size) in enumerate(zip(outlines, sizes, strict=True)):
        low_x, low_y, high_x, high_y = outline.bounds
        xx, yy = np.meshgrid(
            np.arange(low_x + 1.0, high_x, _SEARCH), np.arange(low_y + 1.0, high_y, _SEARCH)
        )
        first = outline.representative_point()
        x, y = np.append(first.x, xx.ravel()), np.append(first.y, yy.ravel())
        inside = shapely.contains_xy(outline, x, y)
        inside[0] = True
        x, y = x[inside], y[inside]
        half = 0.5 * np.asarray(size) + _APART
        boxes = shapely.box(x - half[0], y - half[1], x + half[0], y + half[1])
        covered = np.zeros(len(x))
        for other in taken:
            covered += shapely.area(shapely.intersection(boxes, other))
        # Among free places the name should lie on its own outline, not on a neighbour.
        aside = np.zeros(len(x))
        for n, other in enumerate(outlines):
            if n != k:
                aside += shapely.area(shapely.intersection(boxes, other))
        off = shapely.area(boxes) - shapely.area(shapely.intersection(boxes, outline))
        best = np.lexsort((off, aside.round(3), covered.round(3)))[0]
        taken.append(boxes[best])
        out.append(np.array([x[best], y[best]]))
    return out
