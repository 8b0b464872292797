"""Nest the models of a load on its printer's plate, and keep the print file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Q

from geometry.errors import GeometryError
from geometry.plates import Item, Layout, Placement, arrange, draw, move_apart, nest
from geometry.plates.picture import label_spots
from geometry.reading import read_mesh
from production import storage
from production.models import Appliance, Load, LoadItem, Plate, StoredFile

GAP_MM = 2.0
OUTLINE_POINTS = 160
LABEL_MM = (20.0, 5.0)
"""About how large a code is written on the page."""


@dataclass(frozen=True)
class Nested:
    """A plate, computed but not yet on record."""

    report: dict[str, Any]
    file: StoredFile
    picture: StoredFile

    def save(self, load: Load) -> None:
        """Put the plate on record; call inside a transaction."""
        Plate.objects.update_or_create(
            load=load,
            defaults={
                "file": self.file,
                "picture": self.picture,
                "report": self.report,
                "height_mm": self.report["height_mm"],
                "sent_at": None,
                "sent_problem": "",
            },
        )
        for placed in self.report["placed"]:
            LoadItem.objects.filter(load=load, appliance__code=placed["name"]).update(
                position={k: placed[k] for k in ("x", "y", "turn_deg")}
            )


def plate_size(load: Load) -> tuple[float, float]:
    """Return the plate's width and depth in mm.

    Raises
    ------
    GeometryError
        The load has no printer yet, or the printer's plate size is not known.
    """
    machine = load.machine
    if machine is None:
        raise GeometryError("choose the printer first: scan its code")
    if not (machine.plate_width_mm and machine.plate_depth_mm):
        raise GeometryError(f"the plate size of {machine} is not known; the manager can set it")
    return machine.plate_width_mm, machine.plate_depth_mm


class TooNear(GeometryError):
    """Models of an arrangement stand too near to each other or beyond the edge."""


def items_of(load: Load, back: Sequence[str] = (), out: Sequence[str] = ()) -> list[Item]:
    """Return the load's models, named by appliance code, most urgent first.

    Those ``back`` count as if they were put in, those ``out`` as if they were taken off.

    Raises
    ------
    GeometryError
        One of them has no print-ready model.
    """
    members = (
        Appliance.objects.filter(Q(pk__in=load.appliances.values("pk")) | Q(code__in=back))
        .exclude(code__in=out)
        .select_related("model__file")
        .order_by("order__promises__due_at", "code")
    )
    found: dict[str, Item] = {}
    for appliance in members:
        if appliance.model is None or appliance.model.file is None:
            raise GeometryError(f"{appliance.code} has no print-ready model; prepare it first")
        if appliance.code not in found:
            solid = read_mesh(appliance.model.file.read(), f"model {appliance.code}").mesh
            found[appliance.code] = Item(appliance.code, solid)
    if not found:
        raise GeometryError("the plate is empty; put appliances on it first")
    return list(found.values())


def nest_load(load: Load) -> Nested:
    """Find places for the load's models.

    Raises
    ------
    GeometryError
        Nothing can be nested; the message says what to do.
    """
    return _keep(nest(items_of(load), plate_size(load), GAP_MM))


def plate_stl(load: Load) -> bytes:
    """Return the models as they stand on the plate as one binary STL.

    Raises
    ------
    GeometryError
        The plate has no models, or one of them has gone.
    """
    placed = load.plate.report.get("placed", [])
    items = [item for item in items_of(load) if item.name in {p["name"] for p in placed}]
    return arrange(items, _placements(items, placed), plate_size(load), GAP_MM).stl()


def arrange_load(
    load: Load,
    placements: list[dict[str, Any]],
    back: Sequence[str] = (),
    out: Sequence[str] = (),
    apart: bool = False,
) -> Nested:
    """Keep an arrangement that a person made.

    Parameters
    ----------
    load, placements
        Which models stand where.
    back, out
        As for :func:`items_of`.
    apart : bool
        Move models that stand too near apart first.

    Raises
    ------
    TooNear
        Models stand too near to each other or beyond the edge.
    GeometryError
        There is no room to move them apart, or the arrangement is not one of this load.
    """
    items = items_of(load, back, out)
    layout = arrange(items, _placements(items, placements), plate_size(load), GAP_MM)
    if apart:
        layout = move_apart(layout)
    for conflict in layout.conflicts():
        first = items[conflict["first"]].name
        if conflict["kind"] == "edge":
            raise TooNear(f"{first} stands {conflict['beyond_mm']:.1f} mm beyond the edge.")
        second = items[conflict["second"]].name
        apart_mm = conflict["distance_mm"]
        how = f"are {apart_mm:.1f} mm apart" if apart_mm > 0.0 else "overlap"
        raise TooNear(f"{first} and {second} {how}; {GAP_MM:g} mm are needed.")
    return _keep(layout)


def _placements(items: list[Item], placements: list[dict[str, Any]]) -> list[Placement]:
    index = {item.name: k for k, item in enumerate(items)}
    try:
        return [
            Placement(
                index[str(p["name"])], str(p["name"]), float(p["x"]), float(p["y"]),
                float(p["turn_deg"]),
            )
            for p in placements
        ]  # fmt: skip
    except (KeyError, TypeError, ValueError) as error:
        raise GeometryError("the arrangement could not be read; load the page again") from error


def _keep(layout: Layout) -> Nested:
    outlines = {p.name: _outline(layout, p.index) for p in layout.placed}
    return Nested(
        report=layout.report | {"outlines": outlines, "spots": _spots(layout)},
        file=storage.store_bytes(layout.threemf(), "model/3mf"),
        picture=storage.store_bytes(draw(layout), "image/png"),
    )


def _spots(layout: Layout) -> dict[str, list[float]]:
    """Return where to write each model's code, in its own coordinates."""
    spots = label_spots(layout.outlines, [np.array(LABEL_MM)] * len(layout.placed))
    return {
        p.name: [round(float(v), 2) for v in (spot - p.motion[:2, 3]) @ p.motion[:2, :2]]
        for p, spot in zip(layout.placed, spots, strict=True)
    }


def _outline(layout: Layout, index: int) -> list[list[float]]:
    """Return a footprint in the model's own coordinates, thinned for the page."""
    ring = np.asarray(layout.footprints[index].exterior.coords)
    step = max(1, len(ring) // OUTLINE_POINTS)
    return [[round(float(x), 2), round(float(y), 2)] for x, y in ring[::step, :2]]
