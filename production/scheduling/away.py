"""What it would do to the promises if a person were away, asked before it is recorded."""

from __future__ import annotations

import datetime as dt

from production.scheduling.effect import Answer, effect
from production.scheduling.hours import FOR_GOOD, minutes_after
from production.scheduling.state import read_situation


def without(person: int, since: dt.datetime, until: dt.datetime | None) -> Answer:
    """Ask the planner what becomes of the promises without this person in between."""
    situation = read_situation()
    end = FOR_GOOD if until is None else minutes_after(situation.origin, until)
    resources = [
        r | {"down": [*r["down"], [minutes_after(situation.origin, since), end]]}
        if r["id"] == f"p{person}"
        else r
        for r in situation.problem["resources"]
    ]
    return effect(situation, situation.problem | {"resources": resources})
