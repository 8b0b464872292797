"""The one place where stage events are added."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic.models import User
from production import work
from production.actions.desk.promising import settle
from production.actions.errors import Moved, Refused
from production.bench.fold import ALLOWED, Event, Position, fold
from production.bench.history import cache_of, events_of
from production.models import Appliance, DaySummary, Lot, LotUse, Stage, StageEvent

CLOCK_SLACK = dt.timedelta(minutes=2)


def locked(appliance: Appliance, *related: str) -> Appliance:
    """Return the appliance as it is now, locked until the transaction ends."""
    rows = Appliance.objects.select_for_update(of=("self",)).select_related("stage", *related)
    return rows.get(pk=appliance.pk)


def find(key: str) -> StageEvent | None:
    """Return the event that an earlier request with this key recorded."""
    return StageEvent.objects.filter(key=key).select_related("appliance").first()


def record(
    user: User | None,
    appliance: Appliance,
    action: str,
    *,
    key: str,
    seen: int | None = None,
    at: dt.datetime | None = None,
    to_stage: Stage | None = None,
    lots: Iterable[tuple[Lot, float]] = (),
    **details: Any,
) -> StageEvent:
    """Add one event to ``appliance`` and bring its cache up to date, or change nothing.

    Parameters
    ----------
    key : str
        The caller's idempotency key. A second request with it returns the first one's
        event and changes nothing.
    seen : int, optional
        The appliance's ``seq`` on the page where the person decided. When somebody
        else has moved it since, nothing is recorded.
    at : datetime, optional
        When it happened; now when left out.
    to_stage : Stage, optional
        Where the appliance stands afterwards, for the actions that move it.
    lots : iterable of (Lot, amount)
        Lots used, in the material's unit.
    **details
        Further columns of ``StageEvent``: machine, load, program, card, ticks, cause,
        undoes, follows, scan, model, time_certain, note.

    Raises
    ------
    Moved
        Another hand was faster.
    Refused
        The appliance's position does not allow the action, or the time is impossible.
    """
    now = timezone.now()
    with transaction.atomic():
        row = locked(appliance)
        earlier = find(key)
        if earlier:
            if earlier.appliance_id != row.pk or earlier.action != action:
                raise Refused("This key was used for something else; reload the page and repeat.")
            _refresh(appliance, row)
            return earlier
        if seen is not None and seen != row.seq:
            raise moved(row)
        known = events_of(row.pk)
        before = fold(known) if known else None
        when = _moment(before, at, now, action)
        _check(row, before, action)
        undoes, made_from = details.get("undoes"), details.get("scan")
        new = Event(
            row.seq + 1,
            action,
            when,
            stage=row.stage.code if row.stage else None,
            to_stage=to_stage.code if to_stage else None,
            undoes=undoes.seq if undoes else None,
            scan_from=made_from.uploaded_at if made_from else None,
        )
        after = fold([*known, new])
        try:
            with transaction.atomic():
                event = StageEvent.objects.create(
                    appliance=row,
                    seq=new.seq,
                    action=action,
                    stage=row.stage,
                    to_stage=to_stage,
                    at=when,
                    recorded_at=now,
                    by=user,
                    key=key,
                    **details,
                )
        except IntegrityError:
            raise moved(row) from None
        LotUse.objects.bulk_create(
            LotUse(event=event, appliance=row, lot=lot, amount=amount) for lot, amount in lots
        )
        columns = cache_of(after)
        columns["stage"] = _stage(after, row, to_stage)
        changed = Appliance.objects.filter(pk=row.pk, seq=row.seq).update(**columns)
        if not changed:
            raise moved(row)
        _refresh(appliance, row, columns)
        DaySummary.forget(min(when, undoes.at) if undoes else when)
        _settle(row, before, after)
        work.ask("plan", coalesce=True)
        return event


def moved(appliance: Appliance) -> Moved:
    """Say who moved ``appliance`` last."""
    last = appliance.events.select_related("by").order_by("-seq").first()
    if last is None:
        return Moved(appliance.code, "somebody", "opened", timezone.now())
    who = str(last.by) if last.by else "the system"
    return Moved(appliance.code, who, last.get_action_display().lower(), last.recorded_at)


def _moment(
    before: Position | None, at: dt.datetime | None, now: dt.datetime, action: str
) -> dt.datetime:
    if at is None:
        return now
    if at > now + CLOCK_SLACK:
        raise Refused("That time is still to come; give the time at which it happened.")
    if before is not None and action != "undo" and at < before.since:
        local = timezone.localtime(before.since)
        raise Refused(f"That is before its last step, at {local:%d %b %H:%M}; give a later time.")
    return at


def _check(row: Appliance, before: Position | None, action: str) -> None:
    """Refuse, in the bench's words, what the fold would refuse."""
    if before is None or action in ("open", "undo"):
        return
    if before.status not in ALLOWED[action]:
        last = row.events.select_related("by").order_by("-seq").first()
        who = f", since {last.by} at {timezone.localtime(last.at):%H:%M}" if last else ""
        label = Appliance.Status(before.status).label.lower()
        raise Refused(
            f"{row.code} is “{label}” at {row.stage}{who}; it cannot be "
            f"{StageEvent.Action(action).label.lower()} now."
        )


def _stage(after: Position, row: Appliance, to_stage: Stage | None) -> Stage | None:
    if to_stage is not None and to_stage.code == after.stage:
        return to_stage
    if row.stage is not None and row.stage.code == after.stage:
        return row.stage
    return Stage.objects.get(code=after.stage)  # an undo brings it back to an earlier one


def _refresh(appliance: Appliance, row: Appliance, columns: dict[str, Any] | None = None) -> None:
    """Give the caller's object the values that are now in the database."""
    for field in ("stage", "status", "seq", "stage_since", "scanned_at", "ready_at"):
        setattr(appliance, field, columns[field] if columns else getattr(row, field))
    for field in ("delivered_at", "failures"):
        setattr(appliance, field, columns[field] if columns else getattr(row, field))


def _settle(row: Appliance, before: Position | None, after: Position) -> None:
    """Look at the order's promise again when the appliance became ready, or is no longer."""
    closing = {"ready", "delivered", "remade", "cancelled"}
    if after.status in closing or (before is not None and before.status in closing):
        settle(row.order_id)
