"""The bench timeline: machines and people down, time across, plates as blocks."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from typing import Any

from django.utils import timezone

from clinic.models import Office
from production.models import Appliance, Plan, Promise, Stage
from production.scheduling.standing import PlannedStep, latest, planned_steps, resource_names
from production.scheduling.state import IN_WORK, standing_wishes
from production.selectors.risk import likelihood

ROW = 56
LABEL = 170
LABEL_LETTERS = 18
PX_PER_MINUTE = 2.6
LETTER = 9.2  # a letter of a label
MARGIN = 5.0
SIGN = 18.0  # a stage's picture
HEAD = 34
MARK_PITCH = 12.0  # a mark is 20 wide

HAND_KINDS = ("technician", "chair")
LANE_KINDS = ("printer", "wash", "cure", "forming", "technician", "chair")


@dataclass(frozen=True)
class Block:
    """What runs on a resource from one time to another."""

    code: str  # the stage's
    x: float
    y: float
    width: float
    codes: list[str]
    stage: str
    start: dt.datetime
    end: dt.datetime
    running: bool
    by_hand: bool  # on a person's row, where the stage is what one wants to know
    icon: str
    wished: str = ""  # who said so, in words

    @property
    def label(self) -> str:
        """The most that fits into the block: what is done by hand, what runs on a machine."""
        count = len(self.codes)
        code = self.codes[0] if count == 1 else f"{count} arches"
        choices = [f"{self.stage} {code}", self.stage] if self.by_hand else [code]
        if count > 1:
            choices.append(str(count))
        return next((text for text in choices if self.width > LETTER * len(text) + MARGIN), "")

    @property
    def sign(self) -> str:
        """The stage's picture, where its word does not fit."""
        return self.icon if self.by_hand and not self.label and self.width >= SIGN else ""

    @property
    def sign_x(self) -> float:
        """Where the picture stands: in the middle."""
        return self.x + (self.width - 16) / 2

    @property
    def spoken(self) -> str:
        """The block in words, which hold those that are drawn (WCAG 2.2, 2.5.3)."""
        words = (
            f"{self.stage}, {timezone.localtime(self.start):%H:%M} to "
            f"{timezone.localtime(self.end):%H:%M}: {', '.join(self.codes)}"
            f"{f', {self.wished}' if self.wished else ''}"
        )
        return words if self.label in words else f"{self.label}. {words}"


@dataclass(frozen=True)
class Mark:
    """A promise on the time axis."""

    x: float
    y: float
    promise: Promise
    risky: bool


@dataclass
class Lane:
    """One resource's row."""

    key: str
    kind: str
    name: str
    y: float
    blocks: list[Block] = field(default_factory=list)
    down: list[tuple[float, float]] = field(default_factory=list)

    @property
    def short(self) -> str:
        """Its name as far as there is room."""
        whole = len(self.name) <= LABEL_LETTERS
        return self.name if whole else f"{self.name[: LABEL_LETTERS - 1].rstrip()}…"

    @property
    def gap(self) -> str:
        """What it means that nothing can stand in a part of the row."""
        return "Away" if self.kind == "technician" else "Out of service"

    @property
    def middle(self) -> float:
        """Where its name stands."""
        return self.y + ROW / 2 + 5


@dataclass
class Timeline:
    """Everything the picture shows, in its own units."""

    plan: Plan | None
    start: dt.datetime
    end: dt.datetime
    scale: float = PX_PER_MINUTE  # units of the picture per minute
    lanes: list[Lane] = field(default_factory=list)
    hours: list[tuple[float, str]] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    now_x: float | None = None
    steps: list[PlannedStep] = field(default_factory=list)

    @property
    def width(self) -> float:
        """Width of the picture."""
        return LABEL + self.scale * (self.end - self.start).total_seconds() / 60 + 10

    @property
    def height(self) -> float:
        """Height of the picture."""
        return HEAD + ROW * (len(self.lanes) + 1)

    def x(self, moment: dt.datetime) -> float:
        """Where ``moment`` lies."""
        return LABEL + self.scale * (moment - self.start).total_seconds() / 60


def timeline(
    now: dt.datetime, hours: float = 9.0, scale: float = PX_PER_MINUTE, before: int = 30
) -> Timeline:
    """Build the picture of the standing plan from the half hour ``before`` minutes ago on."""
    # In UTC: on a day when the clocks change, time across must go on evenly.
    past = dt.timedelta(minutes=before + timezone.localtime(now).minute % 30)
    start = now.astimezone(dt.UTC).replace(second=0, microsecond=0) - past
    to_the_hour = dt.timedelta(minutes=-timezone.localtime(start).minute % 60)
    wished = {
        (code, stage): "kept back for promises" if kept_back else "set by hand"
        for code, stage, kept_back in standing_wishes().values_list(
            "appliance__code", "stage__code", "for_promises"
        )
    }
    view = Timeline(latest(), start, start + dt.timedelta(hours=hours), scale)
    kinds = dict(Appliance.objects.filter(status__in=IN_WORK).values_list("code", "kind_id"))
    running = set(
        Appliance.objects.filter(status=Appliance.Status.RUNNING).values_list("code", flat=True)
    )
    view.steps = [
        s for s in planned_steps(view.plan, kinds) if s.end > start and s.start < view.end
    ]
    resources = view.plan.problem.get("resources", []) if view.plan else []
    names = resource_names(resources)
    stages = {stage.code: stage for stage in Stage.objects.only("code", "name", "icon")}
    order = {kind: n for n, kind in enumerate(LANE_KINDS)}
    for resource in sorted(resources, key=lambda r: (order.get(r["kind"], 9), str(r["id"]))):
        key = str(resource["id"])
        lane = Lane(key, str(resource["kind"]), names[key], HEAD + ROW * len(view.lanes))
        lane.blocks = _blocks(
            view, lane, [s for s in view.steps if s.resource == key], running, wished, stages
        )
        lane.down = _down(view, resource)
        if lane.blocks or resource["kind"] != "chair":
            view.lanes.append(lane)
    for hour in range(int(hours) + 1):
        moment = start + to_the_hour + dt.timedelta(hours=hour)
        if moment > view.end:
            break
        view.hours.append((view.x(moment), f"{timezone.localtime(moment):%H:%M}"))
    view.now_x = view.x(now)
    view.marks = _marks(view)
    return view


def _blocks(
    view: Timeline,
    lane: Lane,
    steps: list[PlannedStep],
    running: set[str],
    wished: dict[tuple[str, str], str],
    stages: dict[str, Stage],
) -> list[Block]:
    groups: dict[str, list[PlannedStep]] = {}
    for step in steps:
        key = f"{step.batch}" if step.batch is not None else f"{step.code}-{step.index}"
        groups.setdefault(key, []).append(step)
    found = []
    for members in groups.values():
        first = members[0]
        left = max(view.x(first.start), LABEL)
        right = min(view.x(first.end), view.width)
        found.append(
            Block(
                code=first.stage,
                x=round(left, 1),
                y=lane.y + 6,
                width=round(max(right - left - 1.5, 4.0), 1),
                codes=sorted(m.code for m in members),
                stage=stages[first.stage].name if first.stage in stages else first.stage,
                start=first.start,
                end=first.end,
                running=first.start <= timezone.now() and first.code in running,
                by_hand=lane.kind in HAND_KINDS,
                icon=stages[first.stage].icon if first.stage in stages else "",
                wished=", ".join(
                    dict.fromkeys(
                        wished[m.code, m.stage] for m in members if (m.code, m.stage) in wished
                    )
                ),
            )
        )
    return found


def _down(view: Timeline, resource: dict[str, Any]) -> list[tuple[float, float]]:
    """Where a machine is out of service, or a person away or not yet, or no more, there."""
    if view.plan is None:
        return []
    spans = list(resource.get("down") or [])
    if resource["kind"] == "technician":
        spans += _without(view.plan.problem.get("pickup") or [], resource.get("open") or [])
    found = []
    for start, stop in spans:
        left = max(view.x(view.plan.origin + dt.timedelta(minutes=start)), LABEL)
        right = min(view.x(view.plan.origin + dt.timedelta(minutes=stop)), view.width)
        if right > left:
            found.append((round(left, 1), round(right - left, 1)))
    return found


def _without(spans: list[list[float]], taken: list[list[float]]) -> list[list[float]]:
    """Return what is left of spans when others, in order, are cut out."""
    for low, high in taken:
        parts = [[[a, min(b, low)], [max(a, high), b]] for a, b in spans]
        spans = [part for pair in parts for part in pair if part[0] < part[1]]
    return spans


def _marks(view: Timeline) -> list[Mark]:
    promises = (
        Promise.objects.filter(
            superseded_at=None,
            kept=None,
            due_at__gt=view.start,
            due_at__lt=view.end,
            order__cancelled_at=None,
        )
        .select_related("order__patient")
        .order_by("due_at")
    )
    y = HEAD + ROW * len(view.lanes)
    office = Office.get()
    marks = [
        Mark(round(x, 1), y, p, likelihood(p.p_late, office).at_risk)
        for p, x in zip(promises, _apart([view.x(p.due_at) for p in promises]), strict=True)
    ]
    # What is drawn last lies on top.
    return sorted(marks, key=lambda mark: mark.risky)


def _apart(places: list[float]) -> list[float]:
    """Move marks of nearly one time just so far apart that each can be seen and touched."""
    found: list[float] = []
    group: list[float] = []
    for x in [*places, math.inf]:
        if group and x - group[-1] >= MARK_PITCH:
            middle = sum(group) / len(group)
            found += [middle + MARK_PITCH * (n - (len(group) - 1) / 2) for n in range(len(group))]
            group = []
        group.append(x)
    return found
