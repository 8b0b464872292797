"""What a model says about the things that stand out of crowns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geometry.model.undercuts.ledges import Ledge
from geometry.model.undercuts.regions import Places

LISTED = 8


def part_record(ledge: Ledge, places: Places) -> dict[str, Any]:
    """Return where something stands out of a crown, how far, and whether it may be gripped."""
    return {
        "name": places.name(ledge.at),
        "at": [round(float(v), 2) for v in ledge.at],
        "width_mm": round(ledge.width, 2),
        "depth_mm": round(ledge.depth, 2),
        "grips": ledge.grips,
    }


def standing_out(ledges: Sequence[Ledge], places: Places, depth: float | None) -> list[str]:
    """Say where something stands out of crowns and what becomes of the undercut under it.

    Parameters
    ----------
    ledges : sequence of Ledge
    places : Places
    depth : float or None
        Depth of block-out; None when nothing is filled.
    """
    out = []
    spared = [ledge for ledge in ledges if ledge.grips]
    others = [ledge for ledge in ledges if not ledge.grips]
    if spared:
        left = (
            "do not fill the crown under it where plastic has to grip, as on attachments"
            if depth is None
            else "the crown under it is not filled, so that plastic grips there as on attachments;"
            " where the appliance has to come off over it, fill it by hand; if it is a drop, dry"
            " and rescan"
        )
        out.append(f"something stands out of the crown {_listed(spared, places)}; {left}")
    if others:
        filled = (
            "it is listed to be filled"
            if depth is None
            else "the undercut under it is filled down to the gum"
        )
        out.append(
            f"something that is no attachment stands out of the crown {_listed(others, places)};"
            f" {filled}; if it is off the tooth by now, rescan"
        )
    return out


def _listed(ledges: Sequence[Ledge], places: Places) -> str:
    by_side: dict[str, list[str]] = {}
    for name in dict.fromkeys(places.name(ledge.at) for ledge in ledges):
        place, comma, side = name.rpartition(", ")
        known = side.endswith(" side")
        by_side.setdefault(comma + side if known else "", []).append(place if known else name)
    words = []
    for side, names in by_side.items():
        more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
        shown = [name.removeprefix("at ") for name in names[:LISTED]]
        words.append(f"at {', '.join(shown)}{more}{side}")
    deepest = max(ledge.depth for ledge in ledges)
    return f"{'; '.join(words)} (by up to {deepest:.1f} mm)"
