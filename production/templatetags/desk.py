"""Lines of the front desk's pages that change seldom and are shown every minute."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from django import template
from django.template.loader import get_template
from django.utils import timezone

from production.selectors.today import VisitRow

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
        VisitLine(
            pk=visit.pk,
            uuid=str(visit.uuid),
            status=visit.status,
            at=f"{timezone.localtime(visit.starts_at):%H:%M}",
            name=str(patient),
            born=f"{patient.date_of_birth.day} {patient.date_of_birth:%b %Y}",
            patient=str(patient.uuid),
            kind=visit.get_kind_display(),
            note=visit.note,
            near=row.near,
            late=row.late,
            steps=tuple(row.steps) if may_book else (),
            back=row.back if may_book else "",
            back_words=row.back_words,
            may_order=may_book and may_order and row.may_order,
        )
    )


@lru_cache(maxsize=2048)
def _shown(line: VisitLine) -> str:
    """Render a line once: a full day has a hundred, and one of them changes at a time."""
    return get_template("today/_visit.html").render({"visit": line})
