"""What a prepared model says about blocking out, in words for the bench."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from production.models import Appliance

BLOCK_OUT_STAGE = "block-out"
# As many places as leave the traveler on one page; the others are on the model's page.
PLACES = 6


@dataclass(frozen=True)
class BlockOutList:
    """The places of a prepared model's undercuts, largest first.

    ``filled_to_mm`` is the depth down to which the printed model is filled already;
    None when the model is printed as scanned and the filling is the bench's work.
    """

    places: list[str]
    more: int
    filled_to_mm: float | None

    @property
    def by_hand(self) -> bool:
        """Whether anything is left for the bench to fill."""
        return bool(self.places) and self.filled_to_mm is None


def block_out_of(appliance: Appliance) -> BlockOutList | None:
    """Return where undercuts are blocked out; None until a model is prepared."""
    model = appliance.model
    report: dict[str, Any] = (model.report if model else None) or {}
    record = report.get("block_out")
    if not record:
        return None
    words = [str(region["words"]) for region in record.get("regions") or []]
    return BlockOutList(words[:PLACES], max(0, len(words) - PLACES), record.get("depth_mm"))
