"""The appliances behind each figure of the review."""

from __future__ import annotations

from collections.abc import Callable

from django.db.models import BigIntegerField, Exists, F, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from production.models import Appliance, LotUse, Material, StageEvent
from production.selectors.review import counting
from production.selectors.review.facts import BANDS
from production.selectors.review.figures import Range, stuck

#: What a figure counts where it is not appliances: its list still names each of them once.
COUNTED = {
    "stage": "The figure counts tries; an appliance that was tried twice is named once.",
    "machine": "The figures count tries and loads; each appliance in them is named once.",
    "person": "The figure counts tries; an appliance that was tried twice is named once.",
    "lot": "The figure counts uses; an appliance that took it twice is named once.",
    "on-time": "The figure counts promises; all appliances of each are named.",
    "missed": "The figure counts promises; all appliances of each are named.",
    "stated": "The figure counts promises; all appliances of each are named.",
    "in-progress": "The figure is an average over time; all that were in progress are named.",
    "hands": "The figure is minutes of open time; all that were worked on are named.",
}
FEW = 2000
KEY = BigIntegerField()
Found = tuple[QuerySet[Appliance], str]


def behind(span: Range, what: str, name: str) -> Found | None:
    """Return the appliances behind a figure, and what they are; None for an unknown figure.

    Parameters
    ----------
    what, name
        Such as ``missed``; or ``failed-machine`` with the machine's number as ``name``.
    """
    start, end = span.start, span.end
    every = Appliance.objects.order_by("-created_at")
    promises = counting.promises(start, end)
    failures = counting.failures(start, end)
    remakes = counting.remakes(start, end)

    def of(events: QuerySet[StageEvent]) -> QuerySet[Appliance]:
        return every.filter(pk__in=events.values("appliance"))

    def replaced(condition: Q) -> QuerySet[Appliance]:
        """The pieces that were remade in the range, of those that meet a condition."""
        return every.filter(condition, pk__in=remakes.values("remake_of"))

    def touched(events: QuerySet[StageEvent], **rarely: int) -> QuerySet[Appliance]:
        # Looked up piece by piece, newest first: years of events are never collected. Of a
        # person or machine with few events, only their pieces are looked up.
        pieces, own = every, StageEvent.objects.filter(**rarely).order_by()
        if rarely and own[:FEW].count() < FEW:
            pieces = every.filter(pk__in=own.values("appliance"))
        return pieces.filter(Exists(events.filter(appliance=OuterRef("pk"))))

    def number() -> int:
        return int(name) if name.isdigit() else 0

    results = counting.results(start, end)
    lists: dict[str, Callable[[], Found]] = {
        "on-time": lambda: (
            every.filter(order__in=promises.filter(kept=True).values("order")),
            "Promises kept",
        ),
        "missed": lambda: (
            every.filter(order__in=promises.exclude(kept=True).values("order")),
            "Promises missed or overdue",
        ),
        "stated": lambda: (
            every.filter(order__in=promises.filter(_band(name)).values("order")),
            f"Promises stated with {_percent(name)} or more",
        ),
        "ready": lambda: (
            every.filter(ready_at__gte=start, ready_at__lt=end).order_by("-ready_at"),
            "Became ready",
        ),
        "failed-ready": lambda: (
            every.filter(ready_at__gte=start, ready_at__lt=end)
            .exclude(failures=0, remake_of=None)
            .order_by("-ready_at"),
            "Became ready after a failure, or as a remake",
        ),
        "handed-over": lambda: (
            every.filter(delivered_at__gte=start, delivered_at__lt=end).order_by("-delivered_at"),
            "Handed over",
        ),
        "in-progress": lambda: (
            counting.present(start, end).order_by("-scanned_at"),
            "In progress at some time",
        ),
        "stuck": lambda: (stuck().order_by("stage_since"), "Stuck"),
        "remakes": lambda: (remakes.order_by("-created_at"), "Remakes"),
        "cause": lambda: (
            every.filter(
                Q(pk__in=failures.filter(_cause("cause", name)).values("appliance"))
                | Q(pk__in=remakes.filter(_cause("remake_cause", name)).values("pk"))
            ),
            f"Cause: {name}",
        ),
        "stage": lambda: (touched(results.filter(stage__code=name)), f"Results at {name}"),
        "hands": lambda: (
            touched(results.filter(stage__attended=True)),
            "Worked on by hand",
        ),
        "material": lambda: (
            every.filter(
                Exists(
                    LotUse.objects.filter(
                        lot__material__kind=name,
                        appliance=OuterRef("pk"),
                        event__at__gte=start,
                        event__at__lt=end,
                        event__undone_by=None,
                    )
                )
            ),
            f"Took {_kind(name)}",
        ),
        "machine": lambda: (
            touched(_blamed(results, on=number()), machine=number()),
            "Ran on the machine",
        ),
        "person": lambda: (
            touched(_blamed(results, who=number()), by=number()),
            "Worked on by the person",
        ),
        "lot": lambda: (
            every.filter(
                Exists(
                    LotUse.objects.filter(
                        lot=number(),
                        appliance=OuterRef("pk"),
                        event__at__gte=start,
                        event__at__lt=end,
                        event__undone_by=None,
                    )
                )
            ),
            "Made with the lot",
        ),
        "failed-stage": lambda: (of(failures.filter(stage__code=name)), f"Failed at {name}"),
        "failed-machine": lambda: (
            of(_blamed(failures, on=number())),
            "Failed on the machine",
        ),
        "failed-person": lambda: (
            of(_blamed(failures, who=number())),
            "Failed, started by the person",
        ),
        "failed-lot": lambda: (
            of(
                failures.filter(
                    Exists(
                        LotUse.objects.filter(
                            lot=number(),
                            appliance=OuterRef("appliance"),
                            event__seq__lt=OuterRef("seq"),
                        )
                    )
                )
            ),
            "Failed with the lot in it",
        ),
        "remade-stage": lambda: (
            remakes.filter(remake_cause__stage__code=name).order_by("-created_at"),
            f"Remakes for a cause at {name}",
        ),
        "remade-machine": lambda: (
            replaced(Q(Exists(_went().filter(machine=number())))),
            "Remade after a run on the machine",
        ),
        "remade-person": lambda: (
            replaced(Q(Exists(_went().filter(by=number(), action=StageEvent.Action.START)))),
            "Remade, worked on by the person",
        ),
        "remade-lot": lambda: (
            replaced(Q(Exists(LotUse.objects.filter(lot=number(), appliance=OuterRef("pk"))))),
            "Remade, made with the lot",
        ),
    }
    return lists[what]() if what in lists else None


def _kind(name: str) -> str:
    return dict(Material.Kind.choices).get(name, "something").lower()


def _went() -> QuerySet[StageEvent]:
    return StageEvent.objects.filter(appliance=OuterRef("pk"), undone_by=None)


def _blamed(results: QuerySet[StageEvent], **which: int) -> QuerySet[StageEvent]:
    """Keep the results of work that a person (``who``) started, or that ran ``on`` a machine."""
    started = StageEvent.objects.filter(
        appliance=OuterRef("appliance"),
        stage=OuterRef("stage"),
        seq__lt=OuterRef("seq"),
        action=StageEvent.Action.START,
        undone_by=None,
    ).order_by("-seq")
    return results.annotate(
        who=Coalesce(Subquery(started.values("by")[:1]), F("by"), output_field=KEY),
        on=Coalesce(F("machine"), Subquery(started.values("machine")[:1]), output_field=KEY),
    ).filter(**which)


def _cause(field: str, name: str) -> Q:
    return Q(**{f"{field}__name": name}) if name != counting.NO_CAUSE else Q(**{field: None})


def _band(name: str) -> Q:
    """Return the condition of a band of stated probabilities, by its lower end."""
    low = next((b for b in BANDS if str(b) == name), 0.0)
    above = [b for b in BANDS if b > low]
    condition = Q(p_kept_at_agreement__gte=low)
    return condition & Q(p_kept_at_agreement__lt=above[0]) if above else condition


def _percent(name: str) -> str:
    low = next((b for b in BANDS if str(b) == name), 0.0)
    return f"{100 * low:g} %"
