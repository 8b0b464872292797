"""A still picture of the scan with its findings marked and listed."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from geometry.inspection.findings.finding import Finding
from geometry.inspection.pictures.colours import (
    BACKGROUND,
    BANDS,
    INK,
    LINES,
    QUIET,
    SEVERITY,
    depth_colours,
    plain_colours,
)
from geometry.inspection.pictures.raster import Camera, fit_camera, render
from geometry.mesh import Mesh

_FACES = ("DejaVuSans.ttf", "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf")
_PLAIN_LETTERS = str.maketrans({"×": "x", "–": "-", "²": "2", "³": "3", "≥": ">", "…": "."})
_SMALLEST = (240, 180)

Draw = ImageDraw.ImageDraw


class _Letters:
    """Text in the documents' typeface, or in the built-in one without its signs."""

    def __init__(self, size: int) -> None:
        self.size = size
        self._plain = False
        self._font: Any = None
        for name in _FACES:
            try:
                self._font = ImageFont.truetype(name, size)
                break
            except OSError:
                continue
        if self._font is None:
            self._font = ImageFont.load_default(size)
            self._plain = True

    def write(self, draw: Draw, at: tuple[float, float], text: str, fill: Any, anchor: str) -> None:
        draw.text(at, self._clean(text), fill=fill, font=self._font, anchor=anchor)

    def width(self, text: str) -> float:
        return float(self._font.getlength(self._clean(text)))

    def fit(self, text: str, room: float) -> str:
        """Shorten a text to a width, at a word."""
        if self.width(text) <= room:
            return text
        words = text.split(" ")
        while words and self.width(" ".join(words) + " …") > room:
            words.pop()
        return " ".join(words) + " …"

    def _clean(self, text: str) -> str:
        return text.translate(_PLAIN_LETTERS) if self._plain else text


class Scene:
    """A scan ready to be drawn.

    Parameters
    ----------
    mesh : Mesh
    normals : (n, 3) float64
    depth_mm : (n,) float64
    outward : int
    axes : rows right, anterior, occlusal (3, 3)
        As shown; any orthogonal axes when no arch was recognised.
    known_side : bool
        Whether right and left are known and may be written beside the arch.
    """

    def __init__(
        self,
        mesh: Mesh,
        normals: NDArray[np.float64],
        depth_mm: NDArray[np.float64],
        outward: int,
        axes: NDArray[np.float64],
        *,
        known_side: bool,
    ) -> None:
        self.known_side = known_side
        self.mesh = mesh
        self.normals = normals
        self.depth_mm = depth_mm
        self.outward = outward
        self.axes = axes

    def draw(
        self,
        size: tuple[int, int],
        towards: NDArray[np.float64],
        up: NDArray[np.float64],
        margin: int,
        *,
        depth: bool,
    ) -> tuple[Image.Image, Camera, NDArray[np.float64]]:
        """Render one view; return it with its camera and what is nearest at each pixel."""
        camera = fit_camera(self.mesh.vertices, towards, up, size[0], size[1], margin)
        colours = depth_colours(self.depth_mm) if depth else plain_colours(len(self.mesh.vertices))
        picture, nearest = render(
            self.mesh, self.normals, colours, self.outward, camera, BACKGROUND
        )
        return Image.fromarray(picture), camera, nearest


def still(
    scene: Scene,
    findings: tuple[Finding, ...],
    lines: list[dict[str, Any]],
    title: str,
    width: int,
    height: int,
) -> bytes:
    """Return a PNG: the biting side with markers, two side views with undercut, a legend.

    Parameters
    ----------
    scene : Scene
    findings : tuple of Finding
        Numbered from 1 in this order.
    lines : list
        Overlay lines to draw over the biting side.
    title : str
        The verdict and its reason.
    width, height : int
        Pixels; at least 240 × 180.
    """
    width, height = max(width, _SMALLEST[0]), max(height, _SMALLEST[1])
    unit = max(8, round(min(width / 75, height / 52)))
    letters = _Letters(unit)
    row = round(unit * 1.75)
    listed = min(len(findings), max(2, int(height * 0.3) // row))
    head = round(unit * 2.6)
    foot = row * max(listed, 1) + round(unit * 1.2)
    body = height - head - foot
    main = round(width * 0.64)
    sheet = Image.new("RGB", (width, height), BACKGROUND)
    pen = ImageDraw.Draw(sheet)
    _, anterior, occlusal = scene.axes
    view, camera, nearest = scene.draw((main, body), occlusal, anterior, 3 * unit, depth=False)
    _lines(view, camera, nearest, lines, unit)
    _markers(view, camera, nearest, findings, letters)
    if scene.known_side:
        _sides(view, camera, scene.axes[0], letters)
    sheet.paste(view, (0, head))
    side = width - main
    half = (body - 4 * unit) // 2  # below them stands the legend
    for place, (name, towards) in enumerate(
        (("From the front", anterior), ("From behind", -anterior + 0.5 * occlusal))
    ):
        small, _, _ = scene.draw(
            (side, half), towards + 0.25 * occlusal, occlusal, 2 * unit, depth=True
        )
        sheet.paste(small, (main, head + place * half))
        at = (main + unit, head + place * half + unit * 0.6)
        letters.write(pen, at, name, QUIET, "la")
    _depth_legend(pen, letters, (main + unit, head + body - unit), side - 2 * unit)
    letters.write(pen, (unit, head / 2), letters.fit(title, width - 2 * unit), INK, "lm")
    _list(pen, letters, findings, listed, (unit, height - foot + round(unit * 0.6)), row, width)
    out = io.BytesIO()
    sheet.save(out, "PNG", optimize=False, compress_level=6)
    return out.getvalue()


def _lines(
    view: Image.Image,
    camera: Camera,
    nearest: NDArray[np.float64],
    lines: list[dict[str, Any]],
    unit: int,
) -> None:
    """Draw the visible parts of the overlay lines."""
    pen = ImageDraw.Draw(view)
    for item in lines:
        if item["kind"] not in LINES or len(item["points"]) < 2:
            continue
        points = np.array(item["points"], dtype=np.float64)
        if item["closed"]:
            points = np.concatenate([points, points[:1]])
        seen = camera.project(points)
        shown = _visible(seen, nearest)
        colour = LINES[item["kind"]]
        for k in range(len(seen) - 1):
            if shown[k] and shown[k + 1]:
                ends = [tuple(seen[k, :2]), tuple(seen[k + 1, :2])]
                pen.line(ends, fill=colour, width=max(2, unit // 6))


def _sides(
    view: Image.Image, camera: Camera, right: NDArray[np.float64], letters: _Letters
) -> None:
    """Write the patient's right and left at the foot of the view."""
    pen = ImageDraw.Draw(view)
    leftwards = float(right @ camera.axes[0]) < 0.0
    names = ("patient's right", "patient's left")
    first, second = names if leftwards else names[::-1]
    y = camera.height - 0.4 * letters.size
    letters.write(pen, (letters.size, y), first, QUIET, "ls")
    letters.write(pen, (camera.width - letters.size, y), second, QUIET, "rs")


def _visible(seen: NDArray[np.float64], nearest: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which projected points are not behind the surface."""
    height, width = nearest.shape
    x = np.clip(seen[:, 0].astype(int), 0, width - 1)
    y = np.clip(seen[:, 1].astype(int), 0, height - 1)
    return np.asarray(seen[:, 2] >= nearest[y, x] - 0.7)


def _markers(
    view: Image.Image,
    camera: Camera,
    nearest: NDArray[np.float64],
    findings: tuple[Finding, ...],
    letters: _Letters,
) -> None:
    """Put a numbered disc beside each place, with a leader to it; hollow when hidden."""
    pen = ImageDraw.Draw(view)
    radius = letters.size * 0.95
    taken: list[NDArray[np.float64]] = []
    middle = np.array([camera.width / 2.0, camera.height / 2.0])
    for number, finding in enumerate(findings, start=1):
        if finding.at is None:
            continue
        seen = camera.project(np.array(finding.at))
        place = seen[0, :2]
        shown = bool(_visible(seen, nearest)[0])
        out = place - middle
        out = out / max(float(np.linalg.norm(out)), 1e-9)
        disc = _free_place(place, out, radius, taken, (camera.width, camera.height))
        taken.append(disc)
        colour = SEVERITY[finding.severity]
        pen.line([tuple(place), tuple(disc)], fill=colour, width=2)
        dot = radius * 0.3
        pen.ellipse([*(place - dot), *(place + dot)], fill=colour)
        if shown:
            pen.ellipse([*(disc - radius), *(disc + radius)], fill=colour, outline="white")
            letters.write(pen, (disc[0], disc[1]), str(number), "white", "mm")
        else:
            pen.ellipse([*(disc - radius), *(disc + radius)], fill="white", outline=colour, width=2)
            letters.write(pen, (disc[0], disc[1]), str(number), colour, "mm")


def _free_place(
    place: NDArray[np.float64],
    out: NDArray[np.float64],
    radius: float,
    taken: list[NDArray[np.float64]],
    size: tuple[int, int],
) -> NDArray[np.float64]:
    """Return a centre for a disc near a place that covers no other disc."""
    limit = np.array(size) - radius - 1.0
    best = np.clip(place + 2.2 * radius * out, radius + 1.0, limit)
    for reach in (2.2, 3.4, 4.8, 6.4, 8.2):
        for turn in (0.0, 0.5, -0.5, 1.0, -1.0, 1.6, -1.6, 2.4, -2.4, np.pi):
            c, s = np.cos(turn), np.sin(turn)
            way = np.array([c * out[0] - s * out[1], s * out[0] + c * out[1]])
            disc = np.clip(place + reach * radius * way, radius + 1.0, limit)
            if all(np.linalg.norm(disc - other) > 2.1 * radius for other in taken):
                return np.asarray(disc)
    return np.asarray(best)


def _depth_legend(pen: Draw, letters: _Letters, at: tuple[float, float], room: float) -> None:
    """Draw the scale of undercut depth, upwards from ``at``."""
    names = ["none", "0.25", "0.50", "0.75", "more"]
    box = letters.size
    y = at[1] - box
    letters.write(pen, (at[0], y - box * 0.5), "Undercut depth up to, mm", QUIET, "ls")
    x = at[0]
    step = room / len(names)
    for (_, colour), name in zip(BANDS, names, strict=True):
        pen.rectangle([x, y, x + box, y + box], fill=colour, outline=INK)
        if step > box * 1.3 + letters.width("more"):
            letters.write(pen, (x + box * 1.3, y + box / 2), name, INK, "lm")
        x += step


def _list(
    pen: Draw,
    letters: _Letters,
    findings: tuple[Finding, ...],
    listed: int,
    at: tuple[float, float],
    row: int,
    width: int,
) -> None:
    """List the findings with their numbers; say how many did not fit."""
    x, y = at
    if not findings:
        letters.write(pen, (x, y + row / 2), "No findings.", QUIET, "lm")
        return
    radius = letters.size * 0.85
    hidden = len(findings) - listed
    for number, finding in enumerate(findings[:listed], start=1):
        colour = SEVERITY[finding.severity]
        centre = (x + radius, y + row / 2)
        pen.ellipse(
            [centre[0] - radius, centre[1] - radius, centre[0] + radius, centre[1] + radius],
            fill=colour,
        )
        letters.write(pen, centre, str(number), "white", "mm")
        more = f"  (and {hidden} more)" if hidden and number == listed else ""
        room = width - x - 4 * radius - letters.width(more)
        text = letters.fit(finding.message, room) + more
        letters.write(pen, (x + 2.8 * radius, y + row / 2), text, INK, "lm")
        y += row
