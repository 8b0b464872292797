"""Take back the last move, within a minute. Both events stay on record."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.utils import timezone

from clinic.models import User
from clinic.permissions import may, require
from production.actions.desk.promising import recount
from production.actions.errors import Refused
from production.actions.recording import find, locked, moved, record
from production.bench.history import position_of
from production.models import Appliance, Load, LoadItem, Order, StageEvent

WINDOW = dt.timedelta(seconds=60)
FINAL = {StageEvent.Action.OPEN, StageEvent.Action.REMAKE}


def undo(
    user: User,
    appliance: Appliance,
    *,
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
) -> StageEvent:
    """Take back what happened last to the appliance; a load's move is taken back for all of it.

    What came with that by itself (a hold, a newer scan that was on file) is taken back with it,
    and so are the failures of a load's others that were recorded with this one.

    Raises
    ------
    Refused
        More than a minute has passed, or it cannot be taken back (opening, remake).
    Moved
        Somebody else moved it since.
    """
    _may_undo(user)
    with transaction.atomic():
        row = locked(appliance)
        earlier = find(key) or find(f"{key}:{row.code}")
        if earlier:
            return earlier
        if seen is not None and seen != row.seq:
            raise moved(row)
        chain = _came_together(row)
        last = chain[-1]
        load = last.load
        if load is not None and last.action in {StageEvent.Action.START, StageEvent.Action.FINISH}:
            undo_load(user, load, key=key, at=at)
            done = find(f"{key}:{row.code}")
        elif len(together := failed_together(last)) > 1:
            _undo_each(user, together, key, at)
            done = find(f"{key}:{row.code}")
        else:
            done = _take_back_all(user, row, chain, key, at)
        if done is None:
            raise Refused(f"{row.code} was not in {load}'s last move; reload the page.")
        appliance.refresh_from_db()
        return done


def undo_load(user: User, load: Load, *, key: str, at: dt.datetime | None = None) -> Load:
    """Take back the start or the finish of a load, for all its appliances or none."""
    _may_undo(user)
    with transaction.atomic():
        row = Load.objects.select_for_update().get(pk=load.pk)
        codes = row.appliances.values_list("code", flat=True)
        if StageEvent.objects.filter(key__in=[f"{key}:{code}" for code in codes]).exists():
            return row
        events = _last_of_load(row)
        if not events:
            raise Refused(f"{row.code} has nothing to take back.")
        _undo_each(user, events, key, at)
        if events[0].action == StageEvent.Action.START:
            back = {"status": Load.Status.FILLING, "started_at": None, "expected_end": None}
        else:
            _machine_free(row)
            back = {"status": Load.Status.RUNNING, "ended_at": None}
        Load.objects.filter(pk=row.pk).update(**back)
        row.refresh_from_db()
        return row


def failed_together(event: StageEvent) -> list[StageEvent]:
    """Return the failures that were recorded in one go with ``event``, itself among them."""
    if event.action != StageEvent.Action.FAIL or event.load is None:
        return [event]
    same = event.load.events.filter(action=event.action, at=event.at, by=event.by, undone_by=None)
    return list(same.select_related("appliance", "load").order_by("appliance__code"))


def _undo_each(user: User, events: list[StageEvent], key: str, at: dt.datetime | None) -> None:
    """Take back one event of each appliance, for all of them or none."""
    for event in events:
        member = Appliance.objects.select_for_update().get(pk=event.appliance_id)
        chain = _came_together(member)
        if chain[-1] != event:
            raise Refused(
                f"{member.code} has moved on since; take that back first, or record a failure."
            )
        _take_back_all(user, member, chain, f"{key}:{member.code}", at)


def _may_undo(user: User) -> None:
    if not may(user, "bench"):
        require(user, "hand_over")


def _last_of_load(load: Load) -> list[StageEvent]:
    """Return the events of the load's last move that still count: its finish, else its start."""
    counted = load.events.filter(undone_by=None).select_related("appliance", "load")
    for action in (StageEvent.Action.FINISH, StageEvent.Action.START):
        events = list(counted.filter(action=action).order_by("appliance__code"))
        if events:
            return events
    return []


def _machine_free(load: Load) -> None:
    """Refuse to bring a run back onto a machine that runs something else by now."""
    other = Load.objects.filter(machine=load.machine, status=Load.Status.RUNNING)
    busy = other.exclude(pk=load.pk).select_related("machine").first()
    if busy:
        raise Refused(f"{busy.machine} runs {busy.code} by now; record what happened instead.")


def last_that_counts(appliance: Appliance) -> StageEvent:
    """Return the event that an undo would take back."""
    position = position_of(appliance.pk)
    if position is None:
        raise Refused(f"{appliance.code} has no events.")
    return StageEvent.objects.select_related("load", "appliance", "follows__load").get(
        appliance=appliance, seq=position.last
    )


def _came_together(appliance: Appliance) -> list[StageEvent]:
    """Return the last event and what brought it with it, a person's own move at the end."""
    chain = [last_that_counts(appliance)]
    while (before := chain[-1].follows) is not None:
        chain.append(before)
    return chain


def _take_back_all(
    user: User,
    appliance: Appliance,
    chain: list[StageEvent],
    key: str,
    at: dt.datetime | None,
) -> StageEvent:
    """Take back ``chain``, newest first; the person's own move under ``key``."""
    *with_it, own = chain
    for number, event in enumerate(with_it, start=1):
        _take_back(user, appliance, event, f"{key}+{number}", at)
    return _take_back(user, appliance, own, key, at)


def undoable(event: StageEvent, now: dt.datetime | None = None) -> bool:
    """Whether ``event`` may still be taken back."""
    late = (now or timezone.now()) - event.recorded_at > WINDOW
    return not late and event.action not in FINAL


def _take_back(
    user: User, appliance: Appliance, event: StageEvent, key: str, at: dt.datetime | None
) -> StageEvent:
    if event.action in FINAL:
        raise Refused(f"“{event.get_action_display()}” cannot be taken back.")
    if not undoable(event):
        raise Refused("More than a minute has passed; record what happened instead.")
    if event.action == StageEvent.Action.FAIL and event.load is not None:
        _machine_free(event.load)
    undone = record(
        user, appliance, StageEvent.Action.UNDO, key=key, at=at, undoes=event, load=event.load
    )
    if event.action == StageEvent.Action.FAIL and (event.scan_id or event.model_id):
        # A newer scan or another model may be linked since.
        Appliance.objects.filter(pk=appliance.pk).update(
            scan_id=event.scan_id, model_id=event.model_id
        )
    if event.action == StageEvent.Action.FAIL and event.load_id:
        Load.objects.filter(pk=event.load_id, status=Load.Status.FAILED).update(
            status=Load.Status.RUNNING, ended_at=None
        )
        LoadItem.objects.get_or_create(load_id=event.load_id, appliance=appliance)
    if event.action == StageEvent.Action.CANCEL:
        Order.objects.filter(pk=appliance.order_id).update(cancelled_at=None)
        recount(appliance.order_id)
    return undone
