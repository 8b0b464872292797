"""Failures: what went wrong, a photo, where work starts again; of one appliance or of a load's."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.text import capfirst

from clinic.permissions import needs
from production.actions.bench import move
from production.actions.errors import ActionError
from production.bench.routes import route_of, up_to
from production.models import Appliance, RemakeCause, Stage, StageEvent, StoredFile
from production.selectors.bench.appliance import causes_for
from production.views.bench.appliance import subject_or_404
from production.views.bench.board import frame
from production.views.bench.photos import Taken, take_photos
from production.views.bench.quote import promise_words
from production.views.bench.subject import Subject, load_subject
from production.views.bench.words import say
from production.views.typed import hold, take


@dataclass
class Told:
    """What a person told about a failure."""

    cause: RemakeCause
    restart: Stage | None
    photos: list[StoredFile]
    note: str
    key: str


def _told(request: HttpRequest, restarts: Sequence[Stage], act: Callable[[Told], str]) -> bool:
    """Do what the form tells, and say so.

    False, with the reason said and everything held for the page, when it cannot be done.
    """
    taken = take_photos(request)
    done = _done(request, restarts, taken, act)
    if not done:
        hold(request, kept=taken.tokens)
    return done


def _done(
    request: HttpRequest, restarts: Sequence[Stage], taken: Taken, act: Callable[[Told], str]
) -> bool:
    post = request.POST
    cause = RemakeCause.objects.filter(code=post.get("cause", ""), active=True).first()
    for words in taken.refused:
        messages.error(request, f"{words} Nothing is recorded yet.", extra_tags="bad")
    if cause is None:
        messages.error(request, "Choose what went wrong.", extra_tags="bad")
    if cause is None or taken.refused:
        return False
    restart = next((s for s in restarts if s.code == post.get("restart")), None)
    told = Told(cause, restart, taken.files, post.get("note", "").strip(), post.get("key", "")[:60])
    try:
        messages.success(request, act(told))
    except ActionError as error:
        say(request, error)
        return False
    return True


def _form(
    request: HttpRequest,
    template: str,
    subject: Subject,
    restarts: Sequence[Stage],
    likely: Sequence[Appliance] = (),
    **more: Any,
) -> HttpResponse:
    """Draw the form, with everything that was typed when it could not be recorded.

    ``likely``: those that are taken to have failed until a person says otherwise.
    """
    typed = take(request)
    context = {
        "subject": subject,
        "branches": causes_for(subject.stage, at_bench=True),
        "restarts": restarts,
        "typed": typed,
        "kept": typed.getlist("kept"),
        "wanted": typed.getlist("code") if typed else [m.code for m in likely],
        "chosen_cause": typed.get("cause") or request.GET.get("cause", ""),
        **more,
    }
    return render(request, template, context)


def _gone_on(failed: Sequence[Appliance]) -> str:
    """Say which of those that need a new scan have one on file already."""
    last = [e for a in failed if (e := a.events.select_related("follows", "to_stage").last())]
    gone = [e for e in last if e.follows and e.follows.action == StageEvent.Action.FAIL]
    if not gone:
        return ""
    it = "it goes" if len(gone) == len(failed) == 1 else f"{len(gone)} of them go"
    return f"A newer scan is on file already: {it} on at {gone[0].to_stage} with that. "


@needs("bench")
def fail(request: HttpRequest, code: str) -> HttpResponse:
    """Record a failure of one appliance: cause, photo, and what must be done again."""
    subject = subject_or_404(request, code)
    row = subject.appliance
    assert row is not None
    restarts = up_to(route_of(row.kind_id), subject.stage)
    seen = request.POST.get("seen", "")

    def act(told: Told) -> str:
        event = move.fail(
            request.user,  # type: ignore[arg-type]
            row,
            cause=told.cause,
            restart=told.restart,
            photos=told.photos,
            note=told.note,
            key=told.key,
            seen=int(seen) if seen.isdigit() else None,
        )
        words = f"{row.code}: failure recorded; it starts again at {event.to_stage}. "
        return words + _gone_on([row]) + capfirst(promise_words([row]))

    if request.method == "POST":
        return redirect(subject.url if _told(request, restarts, act) else request.path)
    shown = frame(request, f"fail:{row.code}", subject.shown)
    return _form(request, "appliance/fail.html", subject, restarts, appliance=row, **shown)


@needs("bench")
def load_fail(request: HttpRequest, code: str) -> HttpResponse:
    """Say which of a load failed, and why."""
    subject = load_subject(request, code.upper())
    if subject is None:
        raise Http404
    load = subject.load
    assert load is not None
    running = [m for m in subject.members if m.status == Appliance.Status.RUNNING]
    ways = [up_to(route_of(kind), subject.stage) for kind in {m.kind_id for m in running}]
    restarts = [stage for stage in (ways or [[]])[0] if all(stage in way for way in ways)]
    wanted = request.POST.getlist("code")

    def act(told: Told) -> str:
        move.fail_in_load(
            request.user,  # type: ignore[arg-type]
            load,
            [m for m in running if m.code in wanted],
            cause=told.cause,
            restart=told.restart,
            photos=told.photos,
            note=told.note,
            key=told.key,
        )
        keys = [f"{told.key}:{number}" for number in range(1, len(wanted) + 1)]
        failed = list(Appliance.objects.filter(events__key__in=keys).select_related("order"))
        rest = "; what is left of it runs on" if load.items.exists() else ", all that was in it"
        words = f"{len(failed)} of {load.code} failed{rest}. "
        return words + _gone_on(failed) + capfirst(promise_words(failed))

    if request.method == "POST":
        return redirect(subject.url if _told(request, restarts, act) else request.path)
    shown = frame(request, subject.name, subject.shown)
    return _form(
        request,
        "bench/load_fail.html",
        subject,
        restarts,
        # One alone, or all when the machine broke down under them.
        running if len(running) == 1 or subject.broken_off else (),
        load=load,
        members=running,
        **shown,
    )
