"""An appliance's page: its way, its record, its one next step."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from clinic.permissions import needs
from production.actions.bench import move
from production.actions.bench.remeasuring import remeasure, size_wanted
from production.actions.errors import ActionError, StartUnknown
from production.actions.recording import find, moved
from production.bench.block_out import BLOCK_OUT_STAGE, BlockOutList, block_out_of
from production.bench.codes import clean
from production.bench.fold import HANDOVER_STAGE
from production.bench.routes import place, route_of
from production.bench.stored import TOLERANCE_MM, stored_print
from production.models import (
    Appliance,
    FormerPrescription,
    Load,
    RemakeCause,
    Stage,
    StageEvent,
    Wish,
)
from production.models.catalog import LOST
from production.scheduling.state import standing_wishes
from production.selectors.bench import appliance as reads
from production.selectors.version import version_of
from production.views.bench.board import frame
from production.views.bench.commands import begin
from production.views.bench.loads import shown_card, take_choices, take_ticks
from production.views.bench.subject import EndsEarly, Subject, appliance_subject, subject_of
from production.views.bench.words import say, tell
from production.views.live import live
from production.views.typed import hold, take

SINCE = (5, 10, 20, 45)


def subject_or_404(request: HttpRequest, code: str) -> Subject:
    """Return the appliance of the address."""
    subject = appliance_subject(request, clean(code))
    if subject is None or subject.appliance is None:
        raise Http404
    return subject


def _version(appliance: Appliance, changed: FormerPrescription | None) -> str:
    return version_of(appliance.seq, appliance.scan_id, appliance.model_id, changed and changed.pk)


@needs("see_bench")
def appliance(request: HttpRequest, code: str) -> HttpResponse:
    """Show where it stands, what comes next, and everything that happened to it."""
    subject = subject_or_404(request, code)
    row = subject.appliance
    assert row is not None
    route = route_of(row.kind_id)
    entries = reads.history(row, route)
    here = place(route, subject.stage)
    filling, in_load = _loads(subject)
    changed = reads.prescription_changed(row)
    context: dict[str, Any] = {
        **frame(request, subject.name, subject.shown),
        "subject": subject,
        "appliance": row,
        "patient": row.order.patient,
        "order": row.order,
        "changed": changed,
        "promise": reads.promise_for(row),
        "entries": entries,
        "steps": reads.route_steps(row, route, entries),
        "made_with": reads.made_with(route, entries),
        "remakes": reads.remakes_of(row) if _replaced(entries) else [],
        "handovers": reads.handovers_in(entries),
        "held": reads.hold_of(entries),
        "version": _version(row, changed),
        "optional": bool(here and here.optional),
        "filling": filling,
        "in_load": in_load,
        "kept_back": _kept_back(subject),
        "stored": _stored(subject),
        "block_out": _block_out(subject),
        "ask_start": request.GET.get("ask") == "start" and subject.waiting,
        "acting": subject.acts_until is not None and subject.acts_until > timezone.now(),
        "ask_early": request.GET.get("ask") == "early",
        "since": SINCE,
        "branches": (
            reads.causes_for(Stage.objects.filter(code=HANDOVER_STAGE).first())
            if row.status == Appliance.Status.DELIVERED
            else []
        ),
        "together": bool(subject.run and subject.run.items.count() > 1),
        "typed": take(request),
    }
    return render(request, "appliance/appliance.html", context)


def _loads(subject: Subject) -> tuple[list[Load], Load | None]:
    """Return the loads it can be put into now, and the one it waits in already."""
    if not subject.waiting:
        return [], None
    loads = Load.objects.filter(status=Load.Status.FILLING)
    inside = loads.filter(items__appliance=subject.appliance).first()
    if inside is not None or not subject.stage.batch:
        return [], inside
    begun = loads.filter(stage=subject.stage, items__isnull=False)
    return list(begun.select_related("machine").distinct()), None


def _kept_back(subject: Subject) -> Wish | None:
    """Return the wish that its next step be left alone for a while."""
    if not subject.waiting:
        return None
    wishes = standing_wishes().filter(appliance=subject.appliance, stage=subject.stage)
    return wishes.filter(not_before__gt=timezone.now()).first()


def _replaced(entries: list[reads.Entry]) -> bool:
    return any(e.event.action == StageEvent.Action.REMAKE for e in entries)


def _stored(subject: Subject) -> dict[str, Any] | None:
    """Return what is to be measured of a stored model before a sheet goes over it."""
    row = subject.appliance
    if row is None or row.remake_of_id is None or not subject.waiting:
        return None
    if subject.stage.machine_kind != Stage.MachineKind.FORMING:
        return None
    printed = stored_print(row)
    if printed is None:
        return None
    wanted = None if row.remeasured else size_wanted(row)
    return {"print": printed, "wanted": wanted, "tolerance": TOLERANCE_MM}


def _block_out(subject: Subject) -> BlockOutList | None:
    """Return the places to block out, while that is what is to be done."""
    row = subject.appliance
    if row is None or subject.stage.code != BLOCK_OUT_STAGE or not row.open:
        return None
    return block_out_of(row)


@needs("see_bench")
def appliance_live(request: HttpRequest, code: str) -> HttpResponse:
    """Tell a page that shows an older state of the appliance."""
    subject = subject_or_404(request, code)
    row = subject.appliance
    assert row is not None
    return live(
        request,
        _version(row, reads.prescription_changed(row)),
        lambda: render(request, "bench/moved.html", {"url": subject.url}),
    )


@require_POST
@needs("bench")
def appliance_do(request: HttpRequest, code: str) -> HttpResponse:
    """Do one thing to the appliance, as the person saw it (``seen``)."""
    subject = subject_or_404(request, code)
    row, user, post = subject.appliance, request.user, request.POST
    assert row is not None
    key, seen = post.get("key", "")[:60], _number(post.get("seen"))
    note = post.get("note", "").strip()
    stage = subject.stage
    try:
        if seen is not None and seen != row.seq and not (find(key) or find(f"{key}:1")):
            raise moved(row)  # before anything is said about a stage that its screen did not show
        match post.get("action"):
            case "start":
                take_choices(request, subject)
                take_ticks(request, subject)
                row.seq = seen if seen is not None else row.seq
                begin(request, subject, key)
                tell(request, f"{row.code}: {stage} started.")
            case "finish":
                take_ticks(request, subject)
                take_choices(request, subject)
                row.seq = seen if seen is not None else row.seq
                subject.finish(
                    user,  # type: ignore[arg-type]
                    key,
                    card=shown_card(request),
                    started_at=_since(post),
                    start_unknown=post.get("since") == "unknown",
                    ended=post.get("ended", ""),
                )
                tell(request, f"{row.code}: {stage} finished.")
            case "skip":
                move.skip(user, row, note=note, key=key, seen=seen)  # type: ignore[arg-type]
                tell(request, f"{row.code}: {stage} skipped.")
            case "hold":
                move.hold(user, row, note=note, key=key, seen=seen)  # type: ignore[arg-type]
                tell(request, f"{row.code} is on hold.")
            case "release":
                move.release(user, row, note=note, key=key, seen=seen)  # type: ignore[arg-type]
                tell(request, f"{row.code} goes on.")
            case "load":
                load = Load.objects.filter(
                    code=post.get("load", ""), status=Load.Status.FILLING
                ).first()
                if load is None:
                    load = move.create_load(user, stage, appliances=[row])  # type: ignore[arg-type]
                else:
                    move.add_to_load(user, load, row)  # type: ignore[arg-type]
                return redirect("load", load.code)
    except StartUnknown as error:
        say(request, error)
        return redirect(f"{subject.url}?ask=start")
    except EndsEarly:
        return redirect(f"{subject.url}?ask=early#early")
    except ActionError as error:
        say(request, error)
        hold(request, subject.url)
    return redirect(subject.url)


def _number(text: str | None) -> int | None:
    return int(text) if text and text.isdigit() else None


def _since(post: Any) -> dt.datetime | None:
    minutes = _number(post.get("since"))
    return timezone.now() - dt.timedelta(minutes=minutes) if minutes is not None else None


@require_POST
@needs("bench")
def measured(request: HttpRequest, code: str) -> HttpResponse:
    """Record what a stored model measures before it is used again."""
    subject = subject_or_404(request, code)
    assert subject.appliance is not None
    try:
        sizes = [float(request.POST.get(name, "").replace(",", ".")) for name in ("width", "depth")]
        found = remeasure(request.user, subject.appliance, *sizes).remeasured  # type: ignore[arg-type]
        assert found is not None
        fits = "It fits its file." if found["fits"] else "It does not fit: print it again."
        messages.success(request, f"{code}: {found['off_mm']:.2f} mm off at the most. {fits}")
    except ValueError:
        messages.error(request, "Give width and depth in mm.", extra_tags="bad")
        hold(request, subject.url)
    except ActionError as error:
        say(request, error)
        hold(request, subject.url)
    return redirect(subject.url)


@require_POST
@needs("bench")
def tick(request: HttpRequest, context: str) -> HttpResponse:
    """Keep one tick of the card with the tablet, so that a reload does not lose it."""
    subject = subject_of(request, context)
    item = request.POST.get("item", "")
    if subject is None or item not in {line["id"] for line in subject.lines}:
        raise Http404
    subject.draft.tick(item, on=item in request.POST.getlist("ticks"))
    subject.draft.save()
    return HttpResponse(status=204)


@needs("see_bench")
def again(request: HttpRequest, code: str) -> HttpResponse:
    """Make a delivered or ready appliance again from what is stored."""
    subject = subject_or_404(request, code)
    row = subject.appliance
    assert row is not None
    if request.method == "POST":
        new = _made_again(request, row)
        if new is None:
            hold(request)
            return redirect(request.path)
        return redirect("appliance", new.code)
    typed = take(request)
    age = (timezone.now() - row.scan.uploaded_at).days if row.scan else None
    return render(
        request,
        "appliance/again.html",
        {
            **frame(request, subject.name),
            "subject": subject,
            "appliance": row,
            "patient": row.order.patient,
            "branches": reads.causes_for(
                Stage.objects.filter(code=HANDOVER_STAGE).first(), without=LOST
            ),
            "lost": RemakeCause.objects.filter(code=LOST, active=True).first(),
            "restarts": [r.stage for r in route_of(row.kind_id) if r.stage.code != HANDOVER_STAGE],
            "scan_age": age,
            "typed": typed,
            "chosen_cause": typed.get("cause") or request.GET.get("cause", ""),
        },
    )


def _made_again(request: HttpRequest, row: Appliance) -> Appliance | None:
    """Open the one that replaces ``row``; None, with the reason said, when it cannot be."""
    post = request.POST
    cause = RemakeCause.objects.filter(code=post.get("cause", ""), active=True).first()
    if cause is None:
        messages.error(request, "Choose why it is made again.", extra_tags="bad")
        return None
    try:
        new = move.remake(
            request.user,  # type: ignore[arg-type]
            row,
            cause=cause,
            restart=Stage.objects.filter(code=post.get("restart", "")).first(),
            purpose="replacement" if cause.code == LOST else "remake",
            note=post.get("note", "").strip(),
            key=post.get("key", "")[:60],
            seen=_number(post.get("seen")),
        )
    except ActionError as error:
        say(request, error)
        return None
    messages.success(
        request, f"{new.code} replaces {row.code}. Agree on a pickup time for it next."
    )
    return new


@require_POST
@needs("hand_over")
def trouble(request: HttpRequest, code: str) -> HttpResponse:
    """Record trouble with the fit of a delivered appliance."""
    subject = subject_or_404(request, code)
    row, post = subject.appliance, request.POST
    assert row is not None
    cause = RemakeCause.objects.filter(code=post.get("cause", ""), active=True).first()
    try:
        if cause is None:
            messages.error(request, "Choose what the trouble is.", extra_tags="bad")
            hold(request, subject.url)
        else:
            move.report_trouble(
                request.user,  # type: ignore[arg-type]
                row,
                cause=cause,
                note=post.get("note", "").strip(),
                key=post.get("key", "")[:60],
                seen=_number(post.get("seen")),
            )
            messages.success(request, f"{row.code}: trouble recorded.")
            if post.get("then") == "again":
                return redirect(reverse("again", args=[row.code]) + f"?cause={cause.code}")
    except ActionError as error:
        say(request, error)
        hold(request, subject.url)
    return redirect(subject.url)
