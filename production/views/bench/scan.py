"""One address for every scan: what was scanned, on which page, and what follows from it."""

from __future__ import annotations

import hashlib

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.text import capfirst
from django.views.decorators.http import require_POST

from clinic.permissions import may, needs
from production.actions.bench import move
from production.actions.errors import ActionError, Refused, StartUnknown
from production.actions.recording import find, moved
from production.bench.commands import Command
from production.bench.lookup import Unknown, look_up
from production.models import Appliance, Load, Lot, Machine, Program, RemakeCause, Stage
from production.views.bench.commands import BENCH, COMMANDS, start
from production.views.bench.quote import promise_words
from production.views.bench.subject import EndsEarly, Subject, subject_of
from production.views.bench.words import say

BAG = "handover-bag"  # session: the code read from the bag on the hand-over page
LEADS_ON = {"DO-BENCH", "DO-NEXT", "DO-UNDO"}  # commands that ask nothing of what is shown


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
        return COMMANDS[thing.code](request, subject, key)
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
        return start(request, subject, key)
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
    return start(request, subject, key)


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
