"""Promised pickups as the desk sees them: how each stands, and what it is about."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from django.db.models import Exists, OuterRef, Prefetch, QuerySet, prefetch_related_objects

from clinic.models import Office, Patient
from production.models import Appliance, Promise
from production.selectors.risk import Likelihood, likelihood

__all__ = ["PromiseRow", "coming", "promise_row", "read_pieces", "standing"]

GONE = (Appliance.Status.REMADE, Appliance.Status.CANCELLED)


@dataclass(frozen=True)
class PromiseRow:
    """One standing promise with everything a line on a screen or a sheet needs."""

    promise: Promise
    likelihood: Likelihood
    appliances: list[Appliance] = field(default_factory=list)
    ready: bool = False
    overdue: bool = False
    delivered: bool = False
    moved: bool = False
    near: str = ""
    left: dt.timedelta = dt.timedelta()

    @property
    def patient(self) -> Patient:
        """Whose it is."""
        return self.promise.order.patient

    @property
    def what(self) -> str:
        """“Retainer, upper + lower”; an aligner's step number where there is one."""
        return describe(self.promise.order.kind.name, self.appliances)

    @property
    def late_by(self) -> dt.timedelta:
        """How long it has been due."""
        return -self.left

    @property
    def remade(self) -> bool:
        """Whether a piece of it had to be made again."""
        return any(a.remake_of_id for a in self.appliances)

    @property
    def waiting(self) -> list[Appliance]:
        """The pieces that still have work to do."""
        return [a for a in self.appliances if a.status not in DONE]

    @property
    def progress(self) -> str:
        """Where the unfinished pieces stand: “Cure, running” or “upper: Trim · lower: Form”."""
        words = [(a.arch, _where(a)) for a in self.waiting]
        places = {place for _, place in words}
        if len(places) == 1 and len(words) == len(self.appliances):
            return places.pop()
        return " · ".join(f"{arch}: {place}" for arch, place in words)

    @property
    def ready_at(self) -> dt.datetime | None:
        """When the last piece became ready, if all are."""
        times = [a.ready_at for a in self.appliances if a.ready_at]
        return max(times) if self.ready and times else None


DONE = (Appliance.Status.READY, Appliance.Status.DELIVERED)


def _where(piece: Appliance) -> str:
    """Name an appliance's stage and whether it runs, waits or is held."""
    stage = piece.stage.name if piece.stage else "Not started"
    return f"{stage}, {piece.get_status_display().lower()}"


def describe(kind: str, appliances: list[Appliance]) -> str:
    """Name an order's pieces in few words: “Aligner step 5, upper + lower”."""
    arches = sorted({a.arch for a in appliances}, reverse=True)
    steps = sorted({a.step.number for a in appliances if a.step})
    name = kind
    if steps:
        span = f"{steps[0]}" if len(steps) == 1 else f"{steps[0]}–{steps[-1]}"
        name = f"{kind} step{'s' if len(steps) > 1 else ''} {span}"
    return f"{name}, {' + '.join(arches)}" if arches else name


def standing() -> QuerySet[Promise]:
    """Promises that hold now, with order and patient; of each only what a line shows.

    Their pieces, stages and kinds come by ``read_pieces``.
    """
    earlier = Promise.objects.filter(order=OuterRef("order"), superseded_at__isnull=False)
    return (
        Promise.objects.filter(superseded_at=None, order__cancelled_at=None)
        .annotate(moved=Exists(earlier))
        .select_related("order__patient")
        .only(
            "due_at",
            "agreed_at",
            "p_late",
            "expected_at",
            "cause",
            "rescue",
            "handed_over_at",
            "order__uuid",
            "order__kind",
            "order__patient__uuid",
            "order__patient__given_name",
            "order__patient__family_name",
            "order__patient__date_of_birth",
        )
        .order_by("due_at", "pk")
    )


def read_pieces(promises: list[Promise]) -> None:
    """Read kinds, pieces and their stages of all ``promises``: three queries.

    Kinds and stages are few and shared, so that each is read once and not with every row.
    """
    pieces = (
        Appliance.objects.exclude(status__in=GONE)
        .select_related("step")
        .prefetch_related("stage")
        .only("code", "arch", "status", "ready_at", "remake_of", "order", "stage", "step__number")
        .order_by("arch", "pk")
    )
    prefetch_related_objects(
        promises,
        "order__kind",
        Prefetch("order__appliances", queryset=pieces, to_attr="pieces"),
    )


def coming(start: dt.datetime, end: dt.datetime) -> QuerySet[Promise]:
    """Promises of ``standing()`` due from ``start`` to ``end`` with a piece still to give."""
    to_give = Appliance.objects.filter(order=OuterRef("order")).exclude(
        status__in=(*GONE, Appliance.Status.DELIVERED)
    )
    return standing().filter(
        Exists(to_give), due_at__gte=start, due_at__lt=end, handed_over_at=None
    )


def promise_row(
    promise: Promise,
    office: Office,
    now: dt.datetime,
    near: dict[int, str] | None = None,
    *,
    moved: bool,
) -> PromiseRow:
    """Judge one promise at ``now``; ``moved``: another time was agreed before this one."""
    pieces: list[Appliance] = getattr(promise.order, "pieces", [])
    delivered = bool(pieces) and all(a.status == Appliance.Status.DELIVERED for a in pieces)
    ready = bool(pieces) and all(a.status in DONE for a in pieces)
    overdue = not ready and promise.due_at < now
    state = likelihood(promise.p_late, office)
    if delivered:
        state = Likelihood("Handed over", "ok", "good", 0, None)
    elif ready:
        state = Likelihood("Ready", "bag", "good", 0, None)
    elif overdue:
        state = Likelihood("Overdue", "stop", "bad", 3, None)
    return PromiseRow(
        promise=promise,
        likelihood=state,
        appliances=pieces,
        ready=ready,
        overdue=overdue,
        delivered=delivered,
        moved=moved,
        near=(near or {}).get(promise.order.patient_id, ""),
        left=promise.due_at - now,
    )
