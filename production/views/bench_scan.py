"""One address for every scan: what was scanned, on which page, and what follows from it."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.text import capfirst
from django.views.decorators.http import require_POST

from clinic.middleware import office_of
from clinic.permissions import may, needs
from production.actions import move
from production.actions.errors import ActionError, LotNeeded, Moved, Refused, StartUnknown
from production.actions.recording import find, moved
from production.bench.commands import Command
from production.bench.lookup import Unknown, look_up
from production.models import Appliance, Load, Lot, Machine, Program, RemakeCause, Stage
from production.selectors.bench import bench_now, undo_offer
from production.views.bench_filling import fill_load, go_onward
from production.views.bench_quote import promise_words
from production.views.bench_subject import EndsEarly, Subject, since_words, subject_of

BENCH = "bench"
BAG = "handover-bag"  # session: the code read from the bag on the hand-over page
LEADS_ON = {"DO-BENCH", "DO-NEXT", "DO-UNDO"}  # commands that ask nothing of what is shown


def say(request: HttpRequest, error: ActionError) -> None:
    """Show why nothing happened, where the eye is."""
    level = "moved bad" if isinstance(error, Moved) else "bad"
    messages.error(request, error.words, extra_tags=level)


def tell(request: HttpRequest, words: str) -> None:
    """Say what has just moved; the offer to undo stands beside it and need not repeat it."""
    messages.success(request, words, extra_tags="step")


@require_POST
@needs("see_bench")
def scan(request: HttpRequest) -> HttpResponse:
    """Take a scanned or typed code and go where it leads."""
    text = request.POST.get("text", "")
    context = request.POST.get("context", "")
    digest = hashlib.blake2b(text.encode(), digest_size=4).hexdigest()
    key = f"{request.POST.get('key', '')[:40]}:{digest}"
    subject = subject_of(request, context)
    handing = subject.appliance if subject and context.startswith("handover:") else None
    back = subject.url if subject else reverse(BENCH)
    if handing is not None:
        back = reverse("handover", args=[handing.code])
    thing = look_up(text, timezone.localdate())
    if isinstance(thing, Unknown):
        messages.error(request, thing.words, extra_tags="bad")
        return redirect(back)
    if isinstance(thing, Appliance) and handing is not None:
        return redirect(_bag(request, thing, handing))
    if not may(request.user, "bench"):
        return redirect(_page_of(thing) or back)
    try:
        _same_as_shown(request, thing, subject, key)
        return redirect(_follow(request, thing, subject, key) or back)
    except (StartUnknown, EndsEarly) as error:
        say(request, error)
        return redirect(f"{back}?ask={'early#early' if isinstance(error, EndsEarly) else 'start'}")
    except ActionError as error:
        say(request, error)
        return redirect(back)


def _bag(request: HttpRequest, bag: Appliance, handing: Appliance) -> str:
    """Take the code of a bag on the hand-over page, which stops at one of another patient."""
    if bag.code == handing.code:
        request.session[BAG] = bag.code
    elif handing.status == Appliance.Status.READY and bag.order.patient != handing.order.patient:
        request.session.pop(BAG, None)
        messages.error(
            request,
            f"Stop. This bag is {bag.code}, of another patient; {handing.code} is handed over "
            "here. Fetch its bag, or find the other patient on Today.",
            extra_tags="bad",
        )
        return reverse("handover", args=[handing.code])
    return reverse("handover", args=[bag.code])


def _same_as_shown(request: HttpRequest, thing: object, subject: Subject | None, key: str) -> None:
    """Refuse a code that does something when another hand moved the subject since it was drawn.

    Without this, “do the one next step” would do the step after the one on the screen.
    """
    shown = request.POST.get("shown", "")
    leads_on = isinstance(thing, Appliance | Load) or (
        isinstance(thing, Command) and thing.code in LEADS_ON
    )
    if subject is None or not shown or leads_on or shown == subject.shown:
        return
    if find(key) or find(f"{key}:1"):
        return  # the same request again: it moved the subject itself
    if subject.appliance is not None and shown.partition(".")[0] != str(subject.appliance.seq):
        raise moved(subject.appliance)
    raise Refused(
        f"{subject.code} or its card has changed since this page was drawn. Nothing was "
        "recorded; look at it now, then scan again."
    )


def _page_of(thing: object) -> str | None:
    if isinstance(thing, Appliance):
        return reverse("appliance", args=[thing.code])
    if isinstance(thing, Load):
        return reverse("load", args=[thing.code])
    return None


def _follow(request: HttpRequest, thing: object, subject: Subject | None, key: str) -> str | None:
    if isinstance(thing, Appliance):
        return _appliance(request, thing, subject)
    if isinstance(thing, Load):
        return reverse("load", args=[thing.code])
    if isinstance(thing, Machine):
        return _machine(request, thing, subject, key)
    if isinstance(thing, Lot):
        return _lot(request, thing, subject, key)
    if isinstance(thing, Program):
        return _program(request, thing, subject)
    if isinstance(thing, RemakeCause):
        return _cause(request, thing, subject, key)
    if isinstance(thing, Command):
        return _COMMANDS[thing.code](request, subject, key)
    return None


def _appliance(request: HttpRequest, appliance: Appliance, subject: Subject | None) -> str:
    load = subject.load if subject else None
    if load is not None and load.status == Load.Status.FILLING:
        move.add_to_load(request.user, load, appliance)  # type: ignore[arg-type]
        messages.success(request, f"{appliance.code} is in {load.code}.")
        return reverse("load", args=[load.code])
    return reverse("appliance", args=[appliance.code])


def _machine(
    request: HttpRequest, machine: Machine, subject: Subject | None, key: str
) -> str | None:
    if subject is not None and subject.waiting and subject.stage.machine_kind:
        if machine.kind != subject.stage.machine_kind:
            wanted = subject.stage.get_machine_kind_display().lower()
            messages.error(
                request,
                f"{machine} is not a {wanted}; {subject.stage} needs one.",
                extra_tags="bad",
            )
            return subject.url
        subject.choose_machine(machine)
        return _start(request, subject, key)
    running = machine.loads.filter(status=Load.Status.RUNNING).first()
    if running:
        return reverse("load", args=[running.code])
    filling = machine.loads.filter(status=Load.Status.FILLING).first()
    if filling:
        return reverse("load", args=[filling.code])
    stage = Stage.objects.filter(machine_kind=machine.kind).first()
    if stage is None:
        messages.error(request, f"No stage runs on {machine}.", extra_tags="bad")
        return None
    load = move.create_load(request.user, stage, machine=machine)  # type: ignore[arg-type]
    return reverse("load", args=[load.code])


def begin(request: HttpRequest, subject: Subject, key: str) -> None:
    """Start with what the draft holds; say so when the machine will not be there to the end."""
    subject.start(request.user, key)  # type: ignore[arg-type]
    if words := subject.cut_off:
        messages.warning(request, words, extra_tags="warn")


def _start(request: HttpRequest, subject: Subject, key: str) -> str:
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


def _lot(request: HttpRequest, lot: Lot, subject: Subject | None, key: str) -> str | None:
    if subject is None or not subject.waiting:
        until = f", use by {lot.expires_on:%d %b %Y}" if lot.expires_on else ""
        messages.info(request, f"{lot}{until}. Open the appliance or load it is for first.")
        return None
    found = subject.choose_lot(lot)
    if found.stops:
        messages.error(request, "Stop. " + " ".join(found.stops), extra_tags="bad")
        return subject.url
    for caution in found.cautions:
        messages.warning(request, caution, extra_tags="warn")
    if subject.wanted:
        messages.success(request, f"{lot} fits. Now scan {subject.wanted}.")
        return subject.url
    return _start(request, subject, key)


def _program(request: HttpRequest, program: Program, subject: Subject | None) -> str | None:
    if subject is None or not subject.waiting:
        messages.info(request, f"{program}: open the appliance or load it is for first.")
        return None
    subject.draft.program = program.pk
    subject.draft.save()
    messages.success(request, f"Program {program} chosen.")
    return subject.url


def _cause(
    request: HttpRequest, cause: RemakeCause, subject: Subject | None, key: str
) -> str | None:
    if subject is None:
        messages.info(request, "Open the appliance that failed first, then scan the cause.")
        return None
    if subject.load:
        return reverse("load-fail", args=[subject.code]) + f"?cause={cause.code}"
    assert subject.appliance is not None
    event = move.fail(
        request.user,  # type: ignore[arg-type]
        subject.appliance,
        cause=cause,
        key=key,
        seen=subject.appliance.seq,
    )
    messages.success(
        request,
        f"{subject.code}: “{cause.name}” recorded; it starts again at {event.to_stage}. "
        + capfirst(promise_words([subject.appliance])),
    )
    return subject.url


# Commands of the bench sheet.


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
    return _start(request, subject, key)


def _okay(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is None:
        return _next(request, subject, key)
    if subject.running:
        return _finish(request, subject, key)
    if subject.load is not None and not subject.waiting:
        done = subject.load.status == Load.Status.DONE
        return (_onward(request, subject) if done else None) or reverse(BENCH)
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


def _onward(request: HttpRequest, subject: Subject) -> str | None:
    """Do what the page of a load that is done offers first; None if nothing goes on together."""
    load = go_onward(request, subject)
    return reverse("load", args=[load.code]) if load else None


def _load(request: HttpRequest, subject: Subject | None, key: str) -> str | None:
    if subject is not None and subject.load is not None:
        return _onward(request, subject) or subject.url
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


_COMMANDS: dict[str, Callable[[HttpRequest, Subject | None, str], str | None]] = {
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
