"""Closed bodies with the footprint of a horseshoe."""

import numpy as np
import shapely
import trimesh

from geometry.mesh import Mesh


def horseshoe(width=62.0, depth=52.0, area=1836.0):
    """Return a parabolic band with the area asked for, mm²."""

    def band(thick):
        half = (width - thick) / 2.0
        x = np.linspace(-half, half, 60)
        y = -(depth - thick) * (1.0 - (x / half) ** 2)
        return shapely.LineString(np.column_stack([x, y])).buffer(thick / 2.0)

    low, high = 2.0, 30.0
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if band(middle).area < area else (low, middle)
    return band(low).simplify(0.02)


def palate(width, depth):
    """Return the outline of a model with its palate: the horseshoe's arch filled."""
    x = np.linspace(-width / 2.0, width / 2.0, 60)
    y = -depth * (1.0 - (2.0 * x / width) ** 2)
    return shapely.Polygon(np.column_stack([x, y])).buffer(2.0).simplify(0.02)


def partial_arch(width, depth, area, beyond):
    """Return one side of a horseshoe, from its end to so far beyond the middle, mm."""
    return horseshoe(width, depth, area).intersection(shapely.box(-200.0, -200.0, beyond, 200.0))


def extruded(polygon, height=15.0):
    solid = trimesh.creation.extrude_polygon(polygon, height)
    return Mesh(np.asarray(solid.vertices, dtype=np.float64), solid.faces.astype(np.int32))


def box(width, depth, height=10.0):
    return extruded(shapely.box(0.0, 0.0, width, depth), height)


def raster_greedy(outlines, plate, gap, cell=1.0):
    """Place outlines by first fit on a raster, four rotations each; return how many fit.

    The plain method that nesting has to beat.
    """
    from scipy.signal import fftconvolve
    from shapely import affinity

    columns, rows = int(plate[0] / cell), int(plate[1] / cell)
    taken = np.zeros((rows, columns))
    count = 0
    for outline in outlines:
        best = None
        for turn in (0, 90, 180, 270):
            shape = affinity.rotate(outline, turn, origin=(0, 0))
            x0, y0, x1, y1 = shape.bounds
            nx, ny = int(np.ceil((x1 - x0) / cell)), int(np.ceil((y1 - y0) / cell))
            if nx > columns or ny > rows:
                continue
            own = mask(affinity.translate(shape, -x0, -y0), nx, ny, cell)
            pad = int(np.ceil(gap / cell))
            grown = mask(
                affinity.translate(shape, pad * cell - x0, pad * cell - y0).buffer(gap),
                nx + 2 * pad, ny + 2 * pad, cell,
            )  # fmt: skip
            clash = fftconvolve(taken, own[::-1, ::-1], mode="valid")
            free = np.argwhere(clash < 0.5)
            if len(free):
                r, c = free[np.lexsort((free[:, 1], free[:, 0]))[0]]
                if best is None or (r, c) < best[:2]:
                    best = (r, c, grown, pad)
        if best is None:
            continue
        r, c, grown, pad = best
        count += 1
        for i, j in np.argwhere(grown):
            y, x = r + i - pad, c + j - pad
            if 0 <= y < rows and 0 <= x < columns:
                taken[y, x] = 1.0
    return count


def mask(shape, columns, rows, cell):
    """Cells that the shape touches."""
    shapely.prepare(shape)
    x, y = np.meshgrid(np.arange(columns) * cell, np.arange(rows) * cell)
    cells = shapely.box(x, y, x + cell, y + cell)
    return shapely.intersects(shape, cells)
