"""What the commands of the bench sheet do, printed as codes for the scanner."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone

from clinic.middleware import office_of
from production.actions.bench import move
from production.actions.errors import LotNeeded
from production.models import Load
from production.selectors.bench.board import bench_now, undo_offer
from production.views.bench.filling import fill_load, go_onward
from production.views.bench.subject import Subject
from production.views.bench.words import since_words, tell

BENCH = "bench"


def begin(request: HttpRequest, subject: Subject, key: str) -> None:
    """Start with what the draft holds; say so when the machine will not be there to the end."""
    subject.start(request.user, key)  # type: ignore[arg-type]
    if words := subject.cut_off:
        messages.warning(request, words, extra_tags="warn")


def start(request: HttpRequest, subject: Subject, key: str) -> str:
    """Start, or say what is still to be scanned."""
    try:
        begin(request, subject, key)
    except LotNeeded as error:
        messages.info(request, error.words)
        return subject.url
    started = Load.objects.filter(events__key=f"{key}:1").select_related("machine").first()
    where = f" on {started.machine}" if started and started.machine else ""
    tell(request, f"{subject.code}: {subject.stage} started{where}.")
    return subject.url


def _finish(request: HttpRequest, subject: Subject | None, key: str, ended: str = "") -> str | None:
    if subject is None:
        return _nothing_open(request)
    run = subject.run
    if run is not None and not subject.load and run.items.count() > 1:
        return reverse("load", args=[run.code])
    stage = subject.stage  # an appliance stands at another one afterwards
    subject.finish(request.user, key, ended=ended)  # type: ignore[arg-type]
    tell(request, f"{subject.code}: {stage} finished.")
    return subject.url


def _begin(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is None:
        return _nothing_open(request)
    if subject.waiting and subject.machine is None and subject.likely_machine is not None:
        subject.choose_machine(subject.likely_machine)
    return start(request, subject, key)


def _okay(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is None:
        return _next(request, subject, key)
    if subject.running:
        return _finish(request, subject, key)
    if subject.load is not None and not subject.waiting:
        done = subject.load.status == Load.Status.DONE
        return (go_onward(request, subject) if done else None) or reverse(BENCH)
    if subject.appliance is not None and subject.waiting and subject.stage.batch:
        return _together(request, subject) or _begin(request, subject, key)
    return _begin(request, subject, key)


def _together(request: HttpRequest, subject: Subject) -> str | None:
    """Do what the page of something that runs with others offers first; None if it runs alone."""
    assert subject.appliance is not None
    if subject.draft.machine is not None:
        return None  # a machine was chosen for it alone
    filling = Load.objects.filter(status=Load.Status.FILLING)
    load = filling.filter(items__appliance=subject.appliance).first()
    if load is None:
        begun = list(filling.filter(stage=subject.stage, items__isnull=False).distinct()[:2])
        if len(begun) > 1:
            messages.info(request, f"Choose the {subject.stage.load_name} it goes into.")
            return subject.url
        if begun:
            move.add_to_load(request.user, begun[0], subject.appliance)  # type: ignore[arg-type]
            messages.success(request, f"{subject.code} is in {begun[0].code}.")
        load = begun[0] if begun else None
    if load is None:
        return _load(request, subject, "")
    return reverse("load", args=[load.code])


def _tick(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is None:
        return _nothing_open(request)
    line = next((line for line in subject.lines if not line["ticked"]), None)
    if line is None:
        messages.info(request, "Every line is ticked.")
        return subject.url
    subject.draft.tick(line["id"])
    subject.draft.save()
    messages.success(request, f"Checked: {line['text']}")
    return subject.url


def _tick_all(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is None:
        return _nothing_open(request)
    for line in subject.lines:
        subject.draft.tick(line["id"])
    subject.draft.save()
    messages.success(request, f"All {len(subject.lines)} lines of the card checked.")
    return subject.url


def _load(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is not None and subject.load is not None:
        return go_onward(request, subject) or subject.url
    if subject is None or subject.appliance is None:
        return _nothing_open(request)
    load = move.create_load(
        request.user,  # type: ignore[arg-type]
        subject.stage,
        appliances=[subject.appliance],
    )
    return reverse("load", args=[load.code])


def _fill(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is None or subject.load is None:
        return _nothing_open(request)
    fill_load(request, subject.load)
    return subject.url


def _next(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    tasks = bench_now(office_of(request)).next_up
    current = subject.code if subject else None
    task = next((t for t in tasks if t.appliance.code != current), None)
    if task is None:
        messages.info(request, "Nothing waits at the bench.")
        return reverse(BENCH)
    return reverse("appliance", args=[task.appliance.code])


def _undo(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    undo_last(request, key)
    return subject.url if subject else None


def undo_last(request: HttpRequest, key: str) -> None:
    """Take back the person's last move, if it is less than a minute old."""
    event = undo_offer(request.user)  # type: ignore[arg-type]
    if event is None:
        messages.info(request, "There is nothing of yours to take back within the last minute.")
        return
    words = since_words(event)
    move.undo(request.user, event.appliance, key=key)  # type: ignore[arg-type]
    messages.success(request, f"Taken back: {words}. Both stay on record.")


def _skip(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    return _one(request, subject, key, move.skip, "skipped", note="Not needed for this one")


def _hold(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    return _one(request, subject, key, move.hold, "on hold", note="Put aside at the bench")


def _release(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    return _one(request, subject, key, move.release, "goes on")


def _one(
    request: HttpRequest,
    subject: Subject | None,
    key: str,
    action: Callable[..., object],
    words: str,
    **options: str,
) -> str | None:
    if subject is None or subject.appliance is None:
        return _nothing_open(request)
    stage = subject.stage
    action(request.user, subject.appliance, key=key, seen=subject.appliance.seq, **options)
    tell(request, f"{subject.code}: {stage} {words}.")
    return subject.url


def _failed(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is None:
        return _nothing_open(request)
    return reverse("load-fail" if subject.load else "fail", args=[subject.code])


def _since(minutes: int | None) -> Callable[[HttpRequest, Subject | None, str], str | None]:
    def answer(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
        if subject is None or subject.appliance is None:
            return _nothing_open(request)
        began = timezone.now() - dt.timedelta(minutes=minutes) if minutes else None
        stage = subject.stage
        subject.finish(
            request.user,  # type: ignore[arg-type]
            key,
            started_at=began,
            start_unknown=began is None,
        )
        tell(request, f"{subject.code}: {stage} finished; its start is marked as asked.")
        return subject.url

    return answer


def _ended(answer: str) -> Callable[[HttpRequest, Subject | None, str], str | None]:
    return lambda request, subject, key: _finish(request, subject, key, answer)


def _bench(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    return reverse(BENCH)


def _nothing_open(request: HttpRequest) -> str:
    messages.info(request, "Scan the appliance or load it is about first.")
    return reverse(BENCH)


COMMANDS: dict[str, Callable[[HttpRequest, Subject | None, str], str | None]] = {
    "DO-OK": _okay,
    "DO-START": _begin,
    "DO-FINISH": _finish,
    "DO-TICK": _tick,
    "DO-TICK-ALL": _tick_all,
    "DO-LOAD": _load,
    "DO-FILL": _fill,
    "DO-NEXT": _next,
    "DO-BENCH": _bench,
    "DO-UNDO": _undo,
    "DO-SKIP": _skip,
    "DO-HOLD": _hold,
    "DO-RELEASE": _release,
    "DO-FAIL": _failed,
    "SINCE-5": _since(5),
    "SINCE-10": _since(10),
    "SINCE-20": _since(20),
    "SINCE-45": _since(45),
    "SINCE-UNKNOWN": _since(None),
    "ENDED-NOW": _ended("now"),
    "ENDED-THEN": _ended("then"),
    "ENDED-FULL": _ended("full"),
    "ENDED-UNKNOWN": _ended("unknown"),
}
