"""Lines of the front desk's pages that change seldom and are shown every minute."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from django import template
from django.template.loader import get_template
from django.utils import timezone

from clinic.models import Patient
from clinic.templatetags.show import clock, minutes
from production.models import Appliance
from production.selectors.desk.promises import PromiseRow
from production.selectors.desk.today import VisitRow
from production.selectors.risk import Likelihood

register = template.Library()


@dataclass(frozen=True)
class VisitLine:
    """All that a visit's line shows, as plain values: equal lines look equal."""

    pk: int
    uuid: str
    status: str
    at: str
    name: str
    born: str
    patient: str
    kind: str
    note: str
    near: str
    late: bool
    steps: tuple[tuple[str, str, str], ...]
    back: str
    back_words: str
    may_order: bool


@register.simple_tag
def visit_line(row: VisitRow, may_book: bool, may_order: bool) -> str:
    """Show one visit; ``may_book`` and ``may_order`` are what the reader may do."""
    visit, patient = row.visit, row.visit.patient
    return _shown(
        "today/_visit.html",
        VisitLine(
            pk=visit.pk,
            uuid=str(visit.uuid),
            status=visit.status,
            at=f"{timezone.localtime(visit.starts_at):%H:%M}",
            name=str(patient),
            born=_born(patient),
            patient=str(patient.uuid),
            kind=visit.get_kind_display(),
            note=visit.note,
            near=row.near,
            late=row.late,
            steps=tuple(row.steps) if may_book else (),
            back=row.back if may_book else "",
            back_words=row.back_words,
            may_order=may_book and may_order and row.may_order,
        ),
    )


@dataclass(frozen=True)
class PickupLine:
    """All that the line of a promised pickup shows; what is empty is not shown."""

    order: str
    at: str
    under: str
    name: str
    born: str
    what: str
    progress: str
    near: str
    remade: bool
    moved: bool
    state: Likelihood
    give: tuple[tuple[str, str], ...]
    why: tuple[tuple[str, str], ...]
    may_move: bool


@register.simple_tag
def pickup_line(row: PromiseRow, is_today: bool, may_book: bool, may_give: bool) -> str:
    """Show one promised pickup; ``may_book`` and ``may_give`` are what the reader may do."""
    promise, patient, ready = row.promise, row.patient, row.ready
    doubtful = row.likelihood.at_risk and not ready
    expected = clock(promise.expected_at) if promise.expected_at else ""
    why = (
        ("Expected", expected), ("Why", promise.cause), ("What would help", promise.rescue)
    )  # fmt: skip
    return _shown(
        "today/_pickup.html",
        PickupLine(
            order=str(promise.order.uuid),
            at=clock(promise.due_at),
            under=_under(row, is_today),
            name=str(patient),
            born=_born(patient),
            what=row.what,
            progress="" if ready else row.progress,
            near=row.near,
            remade=row.remade,
            moved=row.moved,
            state=row.likelihood,
            give=tuple(
                (a.code, a.arch)
                for a in row.appliances
                if ready and may_give and a.status == Appliance.Status.READY
            ),
            why=tuple((title, words) for title, words in why if doubtful and words),
            may_move=doubtful and may_book,
        ),
    )


def _under(row: PromiseRow, is_today: bool) -> str:
    """Say below the time how far off it is, or since when the pieces lie ready."""
    if row.ready:
        return f"ready {clock(row.ready_at)}"
    if row.overdue:
        return f"over by {minutes(row.late_by)}"
    return f"in {minutes(row.left)}" if is_today else ""


def _born(patient: Patient) -> str:
    return f"{patient.date_of_birth.day} {patient.date_of_birth:%b %Y}"


@lru_cache(maxsize=4096)
def _shown(name: str, line: VisitLine | PickupLine) -> str:
    """Render a line once: a full day has a hundred, and one of them changes at a time."""
    return get_template(name).render({"line": line})
