"""A short code on the back and heel of a model's base, in letters and machine-readable."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.affinity import rotate

from geometry.model.additions.baseplan import Face, ends
from geometry.model.additions.lettering import (
    LINE_PITCH,
    QUIET_MODULES,
    code_squares,
    letters,
    line_width,
)

Array = NDArray[np.float64]

BACK, HEEL = "back", "heel"
DEPTH = 0.6
RAISED = 0.5
TALLEST, SMALLEST = 3.6, 1.8
PAD_HIGHEST = 6.5
PAD_BELOW = 0.2
PAD_OUT = 0.9
PAD_EMBED = 0.5
PAD_DEEPEST = 2.5
PROBE = 0.4
MARGIN = 0.6
MODULES_MM = (0.8, 0.7, 0.6, 0.5)
CODE_RIM = 0.4
ROOF = 0.8  # the model over a code in its underside is at least this thick
THIN_STEP = 0.4
TURNS = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0)
SEARCH = 0.75
GREATER = "; a greater height makes room"


@dataclass(slots=True)
class Identity:
    """What is added to and cut from a body to write on it.

    Attributes
    ----------
    added, cut : list of manifold3d.Manifold
    pads : list of manifold3d.Manifold
        What was added to have room for letters.
    sunk : shapely.Polygon
        Where the underside is cut into, ``DEPTH`` deep; empty where it is not.
    places : list of dict
        face, kind (text or code), text, symbology, size_mm, centre, normal.
    notes : list of str
    """

    added: list[manifold3d.Manifold] = field(default_factory=list)
    cut: list[manifold3d.Manifold] = field(default_factory=list)
    pads: list[manifold3d.Manifold] = field(default_factory=list)
    sunk: shapely.Polygon = field(default_factory=shapely.Polygon)
    places: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def write_code(
    plan: shapely.Polygon,
    text: str,
    lettering: str,
    bar: Face | None,
    top: Callable[[Array], Array],
    without: Sequence[str] = (),
) -> Identity:
    """Lay out a code on a body that stands on z = 0.

    Parameters
    ----------
    plan : Polygon
        Outline of its base.
    text : str
    lettering : "engraved" or "raised"
    bar : Face or None
        The back of a bar, when there is one.
    top : callable
        Height of the body over points (n, 2) in plan, mm.
    without : sequence of str
        ``BACK`` or ``HEEL``, where no pad can be had.
    """
    out = Identity()
    faces = [bar] if bar is not None else []
    for place, end in zip((BACK, HEEL), ends(plan)[::-1], strict=False):
        name = HEEL if bar is not None else place
        strip = _behind(plan, end, top)
        found = None if name in without else _pad(plan, strip, name, text)
        if found is None:
            note = f"the code does not fit the {name} of the base at a readable size"
            low = name not in without and strip.tall.max() < SMALLEST
            note = note + GREATER if low else note
            if note not in out.notes:
                out.notes.append(note)
            continue
        faces.append(found[0])
        out.added.append(found[1])
        out.pads.append(found[1])
        if bar is not None:
            break
    for face in faces:
        _letter(out, face, text, lettering)
    _mark_underside(out, plan, text, top)
    return out


def _fit(text: str, width: float, height: float) -> tuple[list[str], float]:
    """Break a text into one or two lines that give the tallest letters on a face."""
    best: tuple[list[str], float] = ([text], 0.0)
    middle = (len(text) + 1) // 2
    for lines in ([text], [text[:middle], text[middle:]]):
        lines = [line.strip() for line in lines if line.strip()]
        tall = (height - MARGIN) / (1.0 + LINE_PITCH * (len(lines) - 1))
        widest = max(line_width(line, 1.0) for line in lines)
        tall = min(tall, (width - MARGIN) / widest, TALLEST)
        if tall > best[1] + 0.05:
            best = (lines, tall)
    return best


@dataclass(frozen=True, slots=True)
class _Strip:
    """Upright strips behind a back end of the base: where, how far back, and how high."""

    x: Array
    rear: Array
    tall: Array


def _behind(
    plan: shapely.Polygon, end: tuple[float, float, float], top: Callable[[Array], Array]
) -> _Strip:
    a, b, back = end
    xs = np.arange(a + 0.1, b - 0.1, PROBE)
    rear = np.full(len(xs), -np.inf)
    for k, x in enumerate(xs):
        column = plan.intersection(shapely.LineString([(x, back - 9.0), (x, back + 1.0)]))
        if not column.is_empty:
            rear[k] = column.bounds[3]
    tall = np.where(
        np.isfinite(rear),
        top(np.column_stack((xs, np.where(np.isfinite(rear), rear, back) - 0.6))) - PAD_BELOW,
        0.0,
    )
    return _Strip(xs, rear, np.minimum(tall, PAD_HIGHEST))


def _pad(
    plan: shapely.Polygon, strip: _Strip, name: str, text: str
) -> tuple[Face, manifold3d.Manifold] | None:
    """Shape a flat upright pad behind a back end of the base; None where there is no room.

    The pad stands behind the end, no higher than the end itself, so that it hides
    nothing of the scan.
    """
    xs, rear, tall = strip.x, strip.rear, strip.tall
    best: tuple[float, int, int, list[str], float] | None = None
    for i in range(len(xs)):
        low, near, far = np.inf, np.inf, -np.inf
        for j in range(i, len(xs)):
            low, near, far = min(low, tall[j]), min(near, rear[j]), max(far, rear[j])
            if low < SMALLEST or far - near > PAD_DEEPEST:
                break
            width = (j - i) * PROBE
            if width < 3.0:
                continue
            lines, size = _fit(text, width, low)
            if best is None or size > best[0] + 0.02:
                best = (size, i, j, lines, low)
    if best is None or best[0] < SMALLEST:
        return None
    size, i, j, lines, _ = best
    height = size * (1.0 + LINE_PITCH * (len(lines) - 1)) + MARGIN
    x0, x1 = float(xs[i]), float(xs[j])
    plane = float(rear[i : j + 1].max()) + PAD_OUT
    box = shapely.box(x0, float(rear[i : j + 1].min()) - PAD_EMBED, x1, plane)
    shape = box.difference(plan.buffer(-PAD_EMBED))
    whole = max(getattr(shape, "geoms", [shape]), key=lambda part: part.area)
    ring = np.asarray(whole.exterior.coords)[:-1]
    pad = manifold3d.CrossSection([ring], manifold3d.FillRule.EvenOdd).extrude(height)
    face = Face(
        name,
        np.array([0.5 * (x0 + x1), plane, 0.5 * height]),
        np.array([-1.0, 0.0, 0.0]),
        np.array([0.0, 0.0, 1.0]),
        np.array([0.0, 1.0, 0.0]),
        x1 - x0,
        height,
    )
    return face, pad


def _letter(out: Identity, face: Face, text: str, lettering: str) -> None:
    lines, tall = _fit(text, face.width, face.height)
    if tall < SMALLEST:
        out.notes.append(f"the code does not fit the {face.name} of the base at a readable size")
        return
    shape = letters(lines, tall)
    if lettering == "raised":
        out.added.append(face.place(shape, -0.2, RAISED))
    else:
        out.cut.append(face.place(shape, -DEPTH, 0.2))
    out.places.append(
        {
            "face": face.name,
            "kind": "text",
            "text": text,
            "lines": lines,
            "size_mm": round(float(tall), 2),
            "centre": [round(float(v), 3) for v in face.centre],
            "normal": face.out.tolist(),
        }
    )


def _thick_part(plan: shapely.Polygon, top: Callable[[Array], Array]) -> shapely.Polygon:
    """Return the largest part of an outline over which a code does not cut through the model."""
    inside = plan.buffer(-0.05).simplify(0.05)
    x0, y0, x1, y1 = inside.bounds
    xx, yy = np.meshgrid(np.arange(x0, x1, THIN_STEP), np.arange(y0, y1, THIN_STEP))
    points = np.column_stack((xx.ravel(), yy.ravel()))
    points = points[shapely.contains_xy(inside, points)]
    x, y = points[top(points) < DEPTH + ROOF].T
    if not len(x):
        return inside
    thin = shapely.union_all(
        shapely.box(x - THIN_STEP, y - THIN_STEP, x + THIN_STEP, y + THIN_STEP)
    )
    left = inside.difference(thin)
    return max(getattr(left, "geoms", [left]), key=lambda part: part.area)


def _mark_underside(
    out: Identity, plan: shapely.Polygon, text: str, top: Callable[[Array], Array]
) -> None:
    """Engrave a machine-readable code in the base where there is room for it."""
    inside = _thick_part(plan, top)
    for module in MODULES_MM:
        shape, modules, symbology = code_squares(text, module)
        side = (modules + 2 * QUIET_MODULES) * module
        found = _square_spot(inside, side + 2 * CODE_RIM)
        if found is None:
            continue
        x, y, angle = found
        cosine, sine = np.cos(angle), np.sin(angle)
        face = Face(
            "underside",
            np.array([x, y, 0.0]),
            np.array([cosine, sine, 0.0]),
            np.array([sine, -cosine, 0.0]),
            np.array([0.0, 0.0, -1.0]),
            side,
            side,
        )
        out.cut.append(face.place(shape, -DEPTH, 0.2))
        h = 0.5 * side
        out.sunk = rotate(
            shapely.box(x - h, y - h, x + h, y + h), angle, origin=(x, y), use_radians=True
        )
        out.places.append(
            {
                "face": "underside",
                "kind": "code",
                "text": text,
                "symbology": symbology,
                "size_mm": round(float(modules * module), 2),
                "module_mm": module,
                "centre": [round(float(v), 3) for v in face.centre],
                "normal": face.out.tolist(),
            }
        )
        return
    note = "no room for a machine-readable code on the base"
    whole = _square_spot(plan.buffer(-0.05).simplify(0.05), side + 2 * CODE_RIM)
    out.notes.append(note if whole is None else note + GREATER)


def _square_spot(plan: shapely.Polygon, side: float) -> tuple[float, float, float] | None:
    """Find the roomiest place for a square inside an outline: x, y and its turn, radians."""
    best: tuple[float, float, float] | None = None
    slack = -1.0
    if plan.is_empty:
        return None
    h = 0.5 * side
    # Around the middle of such a square there is room for a disc, however it is turned.
    disc_room = plan.buffer(0.05 - h)
    for angle in np.radians(TURNS):
        turned = rotate(plan, -angle, origin=(0, 0), use_radians=True)
        low_x, low_y, high_x, high_y = turned.bounds
        xx, yy = np.meshgrid(
            np.arange(low_x + 0.5 * side, high_x - 0.5 * side + SEARCH, SEARCH),
            np.arange(low_y + 0.5 * side, high_y - 0.5 * side + SEARCH, SEARCH),
        )
        x, y = xx.ravel(), yy.ravel()
        roomy = rotate(disc_room, -angle, origin=(0, 0), use_radians=True)
        shapely.prepare(roomy)
        disc = shapely.contains_xy(roomy, x, y)
        x, y = x[disc], y[disc]
        shapely.prepare(turned)
        fits = shapely.contains(turned, shapely.box(x - h, y - h, x + h, y + h))
        if not fits.any():
            continue
        room = shapely.distance(turned.boundary, shapely.points(x[fits], y[fits]))
        k = int(np.argmax(room))
        if room[k] > slack + 1e-9:
            slack = float(room[k])
            u, v = float(x[fits][k]), float(y[fits][k])
            cosine, sine = float(np.cos(angle)), float(np.sin(angle))
            best = (u * cosine - v * sine, u * sine + v * cosine, float(angle))
    return best
