"""A block of the plan: why it stands there, and what moving it would break."""

from __future__ import annotations

import datetime as dt

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.views.decorators.http import require_POST

from clinic.models import User
from clinic.permissions import may, needs
from production.actions.errors import ActionError
from production.actions.plan.wishing import take_back, wish
from production.models import Appliance, Machine, Stage, Wish
from production.scheduling.moving import consider
from production.scheduling.state import digest
from production.selectors.plan.block import PlannedBlock, block

LATER = (15, 30, 60)  # minutes, offered as buttons


@needs("see_bench")
def show(request: HttpRequest) -> HttpResponse:
    """Show one block; with a wish in the query, what the planner says to it.

    ``leave`` asks what would become of it without the wish it has.
    """
    found = block(request.GET.get("code", ""), request.GET.get("stage", ""))
    asked = None
    leaving = False
    if found and found.movable and may(request.user, "bench"):
        leaving = bool(found.wishes and request.GET.get("leave"))
        asked = None if leaving else _asked(request.GET, found)
    return _page(request, found, asked, leaving=leaving)


@needs("bench")
@require_POST
def move(request: HttpRequest) -> HttpResponse:
    """Do what was asked, unless the bench has changed since the planner answered."""
    assert isinstance(request.user, User)
    stage = get_object_or_404(Stage, code=request.POST.get("stage", ""))
    codes = request.POST.getlist("code")
    if request.POST.get("state") != digest():
        messages.warning(request, "The bench has changed since you asked. This is the new answer.")
        found = block(codes[0] if codes else "", stage.code)
        asked = _asked(request.POST, found) if found and found.movable else None
        return _page(request, found, asked)
    wanted = _wish(request.POST, stage)
    try:
        wish(
            request.user,
            list(Appliance.objects.filter(code__in=codes)),
            stage,
            machine=wanted.machine,
            not_before=wanted.not_before,
            first=wanted.first,
        )
    except ActionError as error:
        messages.error(request, error.words)
    else:
        messages.success(request, "Moved. Every plan keeps to it until the stage has begun.")
    return redirect("timeline")


@needs("bench")
@require_POST
def leave(request: HttpRequest) -> HttpResponse:
    """Leave a block to the planner again."""
    assert isinstance(request.user, User)
    stage = get_object_or_404(Stage, code=request.POST.get("stage", ""))
    appliances = list(Appliance.objects.filter(code__in=request.POST.getlist("code")))
    if take_back(request.user, appliances, stage):
        messages.success(request, "The planner places it again.")
    return redirect("timeline")


def _asked(told: QueryDict, found: PlannedBlock) -> Wish | None:
    """Return the wish in a query, None when nothing is asked for."""
    wanted = _wish(told, found.stage)
    later = told.get("later", "")
    if later.isdigit() and int(later) in LATER:
        moved = max(found.start, timezone.now()) + dt.timedelta(minutes=int(later))
        wanted.not_before = moved.replace(second=0, microsecond=0)
        wanted.first = False
    nothing = wanted.machine is None and wanted.not_before is None and not wanted.first
    return None if nothing else wanted


def _wish(told: QueryDict, stage: Stage) -> Wish:
    """Read a wish: ``machine`` (key), ``when`` (planned, first, at), ``at`` (local time)."""
    wanted = Wish(stage=stage)
    machine = told.get("machine", "")
    if machine.isdigit():
        found = Machine.objects.filter(pk=int(machine), kind=stage.machine_kind or "-")
        wanted.machine = found.first()
    wanted.first = told.get("when") == "first"
    if told.get("when") in ("at", "first"):
        moment = _moment(told.get("at") or "")
        if moment and (told.get("when") == "at" or moment > timezone.now()):
            wanted.not_before = moment
    return wanted


def _moment(text: str) -> dt.datetime | None:
    try:
        found = parse_datetime(text)
    except ValueError:
        return None
    if found is not None and timezone.is_naive(found):
        found = timezone.make_aware(found)
    return found


def _page(
    request: HttpRequest, found: PlannedBlock | None, asked: Wish | None, *, leaving: bool = False
) -> HttpResponse:
    answer = consider(found.codes, found.stage, asked) if found and (asked or leaving) else None
    whole = not request.htmx  # type: ignore[attr-defined]
    return render(
        request,
        "plan/block.html" if whole else "plan/block_part.html",
        {
            "piece": found,
            "asked": asked,
            "answer": answer,
            "leaving": leaving,
            "at": timezone.localtime((asked and asked.not_before) or found.start)
            if found
            else None,
            "later": LATER,
        },
    )
