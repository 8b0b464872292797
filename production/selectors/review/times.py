"""The stage times that plans and quotes rest on: the routes' own, and what was learnt."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from clinic.models import User
from production.models import LearnedTimes, Machine, Material, RouteStage, Stage
from production.scheduling.learning import ENOUGH, group, newest
from production.scheduling.state import LAST_STAGE

TENTH = 1.2816  # standard normal: one of ten lies beyond


@dataclass(frozen=True)
class StageTimes:
    """What a stage is said to take by some routes, and what it takes here."""

    stage: Stage
    kinds: str  # those whose routes say so; empty where all do
    said: float  # minutes
    records: int = 0
    median: float | None = None
    low: float | None = None  # nine of ten take longer
    high: float | None = None  # nine of ten are done by then
    #: Who or what takes longer or shorter: its name, and the share of the time.
    others: list[tuple[str, float]] = field(default_factory=list)

    @property
    def counts(self) -> bool:
        """Whether there are records enough for plans to rest on them."""
        return self.records >= ENOUGH


def stage_times() -> list[StageTimes]:
    """Return every stage that plans reckon with, in the order of the routes."""
    learned = newest()
    said: dict[Stage, dict[float, list[str]]] = {}
    for entry in (
        RouteStage.objects.filter(kind__active=True)
        .exclude(stage__code=LAST_STAGE)
        .select_related("stage", "kind")
        .order_by("position", "stage", "kind")
    ):
        said.setdefault(entry.stage, {}).setdefault(entry.minutes, []).append(entry.kind.name)
    others = _others(learned)
    return [
        _one(stage, ", ".join(kinds) if len(told) > 1 else "", minutes, learned, others)
        for stage, told in said.items()
        for minutes, kinds in sorted(told.items())
    ]


def _one(
    stage: Stage,
    kinds: str,
    said: float,
    learned: LearnedTimes | None,
    others: dict[str, list[tuple[str, float]]],
) -> StageTimes:
    grouped = group(stage.code, said)
    found = learned.times.get(grouped) if learned else None
    if not found:
        return StageTimes(stage, kinds, said)
    median, spread, records = found
    return StageTimes(
        stage,
        kinds,
        said,
        int(records),
        median,
        median * math.exp(-TENTH * spread),
        median * math.exp(TENTH * spread),
        others.get(grouped, []),
    )


def _others(learned: LearnedTimes | None) -> dict[str, list[tuple[str, float]]]:
    """Return by group who or what differs, the greatest difference first."""
    told = [
        (*key.split("|"), value[0]) for key, value in (learned.times if learned else {}).items()
    ]
    rows = [row for row in told if len(row) == 4]
    models = {"machine": Machine, "person": User, "material": Material}
    names = {
        part: {str(row.pk): str(row) for row in model._default_manager.all()}
        for part, model in models.items()
        if any(row[1] == part for row in rows)
    }
    found: dict[str, list[tuple[str, float]]] = {}
    for grouped, part, key, factor in sorted(rows, key=lambda row: -abs(math.log(row[3]))):
        name = names.get(part, {}).get(key)
        if name:
            found.setdefault(grouped, []).append((name, factor - 1.0))
    return found
