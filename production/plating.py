"""Nest the models of a load on its printer's plate, and keep the print file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geometry.errors import GeometryError
from geometry.plates import Item, Layout, Placement, arrange, nest
from geometry.reading import read_mesh
from production import storage
from production.models import Load, LoadItem, Plate, StoredFile

GAP_MM = 2.0
OUTLINE_POINTS = 160


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


def items_of(load: Load) -> list[Item]:
    """Return the load's models, named by appliance code, most urgent first.

    Raises
    ------
    GeometryError
        One of them has no print-ready model.
    """
    members = load.appliances.select_related("model__file").order_by(
        "order__promises__due_at", "code"
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


def arrange_load(load: Load, placements: list[dict[str, Any]]) -> Nested:
    """Keep an arrangement that a person made.

    Raises
    ------
    GeometryError
        Models stand too near to each other or beyond the edge.
    """
    items = items_of(load)
    layout = arrange(items, _placements(items, placements), plate_size(load), GAP_MM)
    for conflict in layout.conflicts():
        first = items[conflict["first"]].name
        if conflict["kind"] == "edge":
            raise GeometryError(f"{first} stands {conflict['beyond_mm']:.1f} mm beyond the edge")
        second = items[conflict["second"]].name
        raise GeometryError(
            f"{first} and {second} are {conflict['distance_mm']:.1f} mm apart; "
            f"{GAP_MM:g} mm are needed"
        )
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
        report=layout.report | {"outlines": outlines},
        file=storage.store_bytes(layout.threemf(), "model/3mf"),
        picture=storage.store_bytes(layout.picture(), "image/png"),
    )


def _outline(layout: Layout, index: int) -> list[list[float]]:
    """Return a footprint in the model's own coordinates, thinned for the page."""
    ring = np.asarray(layout.footprints[index].exterior.coords)
    step = max(1, len(ring) // OUTLINE_POINTS)
    return [[round(float(x), 2), round(float(y), 2)] for x, y in ring[::step, :2]]
