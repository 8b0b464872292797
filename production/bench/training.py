"""Who may begin work at a stage: everyone at the bench, or those who are trained for it.

The manager names people at a stage in the settings. A stage without anybody named, or whose
people have all left or changed their role, is open to everyone: work must not stop for a list
that nobody keeps. Doctors and managers are not held up; they answer for the work.
"""

from __future__ import annotations

from django.db.models import Prefetch, QuerySet

from clinic.models import Role, User
from production.models import Stage


def technicians() -> QuerySet[User]:
    """Return those whom a stage can be kept for, by name."""
    rows = User.objects.filter(role=Role.TECHNICIAN, is_active=True)
    return rows.order_by("first_name", "last_name", "pk")


def with_trained(stages: QuerySet[Stage]) -> QuerySet[Stage]:
    """Read with each stage those whom it is kept for, as its ``kept_for``. One query more."""
    return stages.prefetch_related(Prefetch("trained", technicians(), to_attr="kept_for"))


def trained_for(stage: Stage) -> list[User]:
    """Return the technicians a stage is kept for, by name; empty where everyone may do it."""
    return list(technicians().filter(trained_for=stage))


def training_faults(user: User | None, stage: Stage) -> list[str]:
    """Why ``user`` may not begin work at ``stage``."""
    if user is None or user.role != Role.TECHNICIAN:
        return []
    people = trained_for(stage)
    if not people or user in people:
        return []
    names = " or ".join(str(who) for who in people)
    return [
        f"{stage} is kept for those who are trained for it: ask {names}. "
        "The manager names them in the settings, at the stage."
    ]


def kept_for() -> dict[int, set[int]]:
    """Return the primary keys of the technicians of each stage that is kept for some. One query."""
    rows = Stage.trained.through.objects.filter(
        user__role=Role.TECHNICIAN, user__is_active=True
    ).values_list("stage_id", "user_id")
    found: dict[int, set[int]] = {}
    for stage, person in rows:
        found.setdefault(stage, set()).add(person)
    return found
