"""Ask the planner for pickup times, and put its answer into words."""

from __future__ import annotations

import datetime as dt
import logging
import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from functools import partial

from clinic.models import Office
from clinic.templatetags.show import percent
from production.models import ApplianceKind, Material, Order, Promise
from production.scheduling import Offer, quote_pickup, requote
from production.scheduling.hours import is_open
from production.selectors.risk import CLOSED, Likelihood, likelihood

__all__ = ["Answer", "Choice", "again", "ask", "chance", "hold"]

log = logging.getLogger(__name__)

NOTICEABLE = 0.005
NO_PLANNER = (
    "The planner gave no answer. Try again; if it stays so, ask at the bench, enter the time "
    "they give below, and tell your manager."
)


@dataclass(frozen=True)
class Choice:
    """A time with how likely it is kept, and what it costs or gains."""

    at: dt.datetime
    p_kept: float | None
    likelihood: Likelihood
    words: str = ""
    can_agree: bool = True
    closed: bool = False
    hold_until: dt.datetime | None = None


@dataclass(frozen=True)
class Delayed:
    """Another promise that the new order makes less certain."""

    promise: Promise
    before: float
    after: float


@dataclass(frozen=True)
class Answer:
    """The planner's answer for one question."""

    earliest: Choice | None
    alternatives: list[Choice] = field(default_factory=list)
    own: Choice | None = None
    delayed: list[Delayed] = field(default_factory=list)
    reason: str = ""
    seconds: float = 0.0

    @property
    def choices(self) -> list[Choice]:
        """Every time that may be agreed on, the recommended one first."""
        own = [self.own] if self.own and self.own.can_agree else []
        return [*([self.earliest] if self.earliest else []), *self.alternatives, *own]


def ask(
    kind: ApplianceKind,
    pieces: Sequence[str],
    ready_from: dt.datetime,
    *,
    own_time: dt.datetime | None = None,
    scanned: Collection[str] = (),
    sheet: Material | None = None,
    office: Office | None = None,
) -> Answer:
    """Ask for new appliances: the earliest safe time, others, and the patient's own wish.

    Parameters
    ----------
    pieces
        One distinct label per appliance, such as ``upper`` or ``lower step 5``.
    ready_from
        When the scan can be taken.
    own_time
        A time the patient asks for, judged as it is.
    scanned
        The labels of those whose scan or step file is there already.
    sheet
        What they are formed from, where it is known: some take longer.
    """
    office = office or Office.get()
    started = time.monotonic()
    own = None
    try:
        whole = partial(quote_pickup, kind, pieces, ready_from, scanned=scanned, sheet=sheet)
        offer = whole()
        if own_time is not None:
            judged = whole(due_at=own_time)
            own = _own(own_time, judged, office)
    except Exception:
        # The patient stands at the desk: say so, and let people agree as they did before.
        log.exception("the planner gave no answer")
        return _without_planner(own_time, office, time.monotonic() - started)
    return _answer(offer, office, own, time.monotonic() - started)


def again(order: Order, office: Office | None = None) -> Answer:
    """Ask when an open order can be picked up, as the bench is now."""
    office = office or Office.get()
    started = time.monotonic()
    try:
        offer = requote(order)
    except Exception:
        log.exception("the planner gave no answer")
        return _without_planner(None, office, time.monotonic() - started)
    return _answer(offer, office, None, time.monotonic() - started)


def chance(answer: Answer, at: dt.datetime) -> float | None:
    """Return the probability that was worked out for exactly this time, if it was."""
    return next((c.p_kept for c in answer.choices if c.at == at), None)


def hold(answer: Answer, at: dt.datetime) -> dt.datetime | None:
    """Return until when the order must be left alone if this time is agreed on, if it must."""
    return next((c.hold_until for c in answer.choices if c.at == at), None)


def _answer(offer: Offer, office: Office, own: Choice | None, seconds: float) -> Answer:
    earliest = None
    if offer.earliest is not None and offer.p_kept is not None:
        earliest = _choice(offer, offer.earliest, offer.p_kept, "", office)
    return Answer(
        earliest=earliest,
        alternatives=[
            _choice(offer, at, p, words, office)
            for at, p, words in offer.alternatives
            if earliest is None or at != earliest.at
        ],
        own=own,
        delayed=_noticeable(offer),
        reason=offer.reason,
        seconds=seconds,
    )


def _without_planner(own_time: dt.datetime | None, office: Office, seconds: float) -> Answer:
    """Answer when the planner failed: only a time that people vouch for themselves."""
    own = None
    if own_time is not None:
        own = Choice(own_time, None, likelihood(None, office), "Agree if the bench vouches for it.")
    return Answer(None, own=own, reason=NO_PLANNER, seconds=seconds)


def _choice(offer: Offer, at: dt.datetime, p_kept: float, words: str, office: Office) -> Choice:
    state = likelihood(1.0 - p_kept, office)
    return Choice(at, p_kept, state, words, hold_until=offer.hold_until)


def _noticeable(offer: Offer) -> list[Delayed]:
    """Return whom it touches, leaving out changes that no screen would show."""
    return [
        Delayed(promise, 1.0 - before, 1.0 - after)
        for promise, before, after in offer.delayed
        if after > before and percent(1.0 - before) != percent(1.0 - after)
    ]


def _own(at: dt.datetime, judged: Offer, office: Office) -> Choice:
    """Put the answer for the patient's own time into words."""
    if judged.p_kept is None:
        state = likelihood(1.0, office)
        return Choice(at, 0.0, state, judged.reason or "This time cannot be kept.", can_agree=False)
    # Past the limit counts also where both chances look alike on a screen.
    touched = sum(
        after > office.risk_limit and after - before >= NOTICEABLE
        for _, before, after in judged.delayed
    )
    pushed = ""
    if touched:
        pushed = f"; puts {touched} other promise{'s' if touched > 1 else ''} at risk"
    if judged.p_kept >= office.confidence and not touched:
        words = "Yes, you can say this."
    elif judged.p_kept >= 1.0 - office.risk_limit:
        words = f"Tight{pushed}. A later time is safer."
    else:
        words = f"Not safely{pushed}. Choose a later time, or ask the doctor."
    closed = not is_open(office, at)
    if closed:
        words = f"The office is closed then{pushed}. Choose a time when somebody is there."
    # A time missed more often than kept is no promise: say no, and offer the others.
    return Choice(
        at,
        judged.p_kept,
        CLOSED if closed else likelihood(1.0 - judged.p_kept, office),
        words,
        can_agree=judged.p_kept >= 0.5,
        closed=closed,
    )
