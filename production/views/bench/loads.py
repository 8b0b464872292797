"""A load's page: fill it, start it, finish it, say what failed."""

from __future__ import annotations

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from clinic.middleware import office_of
from clinic.permissions import needs
from production.actions.bench import move
from production.actions.errors import ActionError
from production.models import (
    Appliance,
    InstructionCard,
    Load,
    Lot,
    Machine,
    Program,
    Stage,
)
from production.selectors.bench.board import bench_now
from production.selectors.version import version_of
from production.views.bench.board import frame
from production.views.bench.commands import begin
from production.views.bench.filling import fill_load, go_onward, only_machine, onward
from production.views.bench.subject import EndsEarly, Subject, load_subject
from production.views.bench.words import say, tell
from production.views.live import live


def _subject(request: HttpRequest, code: str) -> Subject:
    subject = load_subject(request, code.upper())
    if subject is None:
        raise Http404
    return subject


@require_POST
@needs("bench")
def load_new(request: HttpRequest) -> HttpResponse:
    """Begin a load at a stage, filled in the order of the plan."""
    try:
        stage = Stage.objects.get(code=request.POST.get("stage", ""))
        load = move.create_load(request.user, stage, machine=only_machine(stage))  # type: ignore[arg-type]
        fill_load(request, load)
    except Stage.DoesNotExist:
        return redirect("bench")
    except ActionError as error:
        say(request, error)
        return redirect("bench")
    return redirect("load", load.code)


@needs("see_bench")
def load(request: HttpRequest, code: str) -> HttpResponse:
    """Show a load and its one next step."""
    subject = _subject(request, code)
    assert subject.load is not None
    waiting = []
    if subject.waiting:
        stations = bench_now(office_of(request)).stations
        inside = {member.pk for member in subject.members}
        tasks = next((s.tasks for s in stations if s.stage.pk == subject.stage.pk), [])
        waiting = [task for task in tasks if task.appliance.pk not in inside]
    return render(
        request,
        "bench/load.html",
        {
            **frame(request, subject.name, subject.shown),
            "subject": subject,
            "load": subject.load,
            "waiting": waiting[:24],
            "more": max(0, len(waiting) - 24),
            "onward": onward(subject) if subject.load.status == Load.Status.DONE else None,
            "ask_early": request.GET.get("ask") == "early",
            "version": _version(subject),
        },
    )


def _version(subject: Subject) -> str:
    load = subject.load
    assert load is not None
    return version_of(
        load.status,
        load.machine_id,
        load.expected_end,
        list(load.appliances.order_by("pk").values_list("pk", "seq")),
    )


@needs("see_bench")
def load_live(request: HttpRequest, code: str) -> HttpResponse:
    """Tell a page that shows an older state of the load."""
    subject = _subject(request, code)
    return live(
        request,
        _version(subject),
        lambda: render(request, "bench/moved.html", {"url": subject.url}),
    )


@require_POST
@needs("bench")
def load_do(request: HttpRequest, code: str) -> HttpResponse:
    """Do one thing to a load."""
    subject = _subject(request, code)
    assert subject.load is not None
    user, row, post = request.user, subject.load, request.POST
    key = post.get("key", "")[:60]
    try:
        match post.get("action"):
            case "add":
                for appliance in Appliance.objects.filter(code__in=post.getlist("code")):
                    move.add_to_load(user, row, appliance)  # type: ignore[arg-type]
            case "remove":
                for appliance in Appliance.objects.filter(code__in=post.getlist("code")):
                    move.remove_from_load(user, row, appliance)  # type: ignore[arg-type]
            case "fill":
                fill_load(request, row)
            case "cancel":
                move.cancel_load(user, row)  # type: ignore[arg-type]
                messages.success(request, f"{row.code} given up; its appliances wait on.")
                return redirect("bench")
            case "onward":
                return redirect(go_onward(request, subject) or subject.url)
            case "start":
                take_choices(request, subject)
                take_ticks(request, subject)
                begin(request, subject, key)
                tell(request, f"{row.code}: {row.stage} started.")
            case "finish":
                card = shown_card(request)
                take_ticks(request, subject)
                subject.finish(user, key, card=card, ended=post.get("ended", ""))  # type: ignore[arg-type]
                tell(request, f"{row.code}: {row.stage} finished.")
            case "undo":
                move.undo_load(user, row, key=key)  # type: ignore[arg-type]
                messages.success(request, f"{row.code}: taken back. Both stay on record.")
    except EndsEarly:
        return redirect(f"{subject.url}?ask=early#early")
    except ActionError as error:
        say(request, error)
    return redirect(subject.url)


def take_choices(request: HttpRequest, subject: Subject) -> None:
    """Put the machine, lot and program chosen on the screen into the draft."""
    post = request.POST
    if post.get("machine", "").isdigit():
        machine = Machine.objects.filter(pk=int(post["machine"])).first()
        if machine:
            subject.choose_machine(machine)
    chosen = [int(value) for value in post.getlist("lot") if value.isdigit()]
    if chosen or "lots_shown" in post:
        subject.draft.lots = list(Lot.objects.filter(pk__in=chosen).values_list("pk", flat=True))
        subject.draft.lots_shown = "lots_shown" in post
        for name in ("lots", "beside"):
            subject.__dict__.pop(name, None)
    if post.get("program", "").isdigit():
        program = Program.objects.filter(pk=int(post["program"])).first()
        subject.draft.program = program.pk if program else None
        subject.__dict__.pop("program", None)
    subject.draft.save()


def take_ticks(request: HttpRequest, subject: Subject) -> None:
    """Put the card's ticks, as the form shows them, into the draft."""
    if "ticks_shown" in request.POST:
        subject.draft.ticks = request.POST.getlist("ticks")
        subject.draft.save()


def shown_card(request: HttpRequest) -> InstructionCard | None:
    """Return the card in the wording the page showed."""
    value = request.POST.get("card", "")
    return InstructionCard.objects.filter(pk=int(value)).first() if value.isdigit() else None
