"""The bench: what to do next, what runs, the timers, the sheet of codes."""

from __future__ import annotations

import uuid
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from clinic.middleware import office_of
from clinic.permissions import needs
from production.actions.errors import ActionError
from production.bench.commands import CAUSE_PREFIX, COMMANDS, PROGRAM_PREFIX
from production.documents.qr import qr_image
from production.models import Machine, Program, StageEvent
from production.selectors.bench.appliance import causes_for
from production.selectors.bench.board import (
    UNDO_SECONDS,
    Run,
    bench_now,
    bench_version,
    runs_now,
    undo_offer,
)
from production.selectors.version import version_of
from production.views.bench.commands import undo_last
from production.views.bench.words import say, since_words
from production.views.live import live


def frame(
    request: HttpRequest, context: str = "", shown: str = "", *, undo_only: bool = False
) -> dict[str, Any]:
    """Return what every page of the bench shows: scan field, timers, the offer to undo.

    ``context`` and ``shown`` go along with a scan: what the page is about, and its state. Timers
    are left out with ``undo_only``, as where a patient stands by.
    """
    event = undo_offer(request.user)  # type: ignore[arg-type]
    runs = [] if undo_only else runs_now()
    return {
        "undo_only": undo_only,
        "scan_context": context,
        "scan_shown": shown,
        "key": uuid.uuid4().hex,
        "runs": runs,
        "runs_version": _runs_version(runs, event),
        "undo": event,
        "undo_words": since_words(event) if event else "",
        "undo_seconds": UNDO_SECONDS,
    }


def _runs_version(runs: list[Run], undo: StageEvent | None) -> str:
    return version_of(
        [
            (
                run.load.pk if run.load else None,
                run.appliance.pk if run.appliance else None,
                run.count,
                run.expected_end,
            )
            for run in runs
        ],
        undo,
    )


@needs("see_bench")
def bench(request: HttpRequest) -> HttpResponse:
    """Show what to do next."""
    around = frame(request)
    return render(request, "bench/bench.html", {**around, **_now(request, around["undo"])})


def _now(request: HttpRequest, undo: StageEvent | None) -> dict[str, Any]:
    return {"bench": bench_now(office_of(request)), "version": bench_version(undo)}


@needs("see_bench")
def bench_live(request: HttpRequest) -> HttpResponse:
    """Answer the page's poll."""
    event = undo_offer(request.user)  # type: ignore[arg-type]
    return live(
        request,
        bench_version(event),
        lambda: render(
            request, "bench/now.html", {**_now(request, event), "key": uuid.uuid4().hex}
        ),
    )


@needs("see_bench")
def timers(request: HttpRequest) -> HttpResponse:
    """Answer the poll of the strip of timers that every page of the bench shows."""
    undo_only = "undo_only" in request.GET
    runs = [] if undo_only else runs_now()
    return live(
        request,
        _runs_version(runs, undo_offer(request.user)),  # type: ignore[arg-type]
        lambda: render(request, "bench/timers.html", frame(request, undo_only=undo_only)),
    )


@needs("bench")
def ends(request: HttpRequest) -> HttpResponse:
    """Answer the poll of every other page: which runs end when, so that an end is told there."""
    runs = [run for run in runs_now() if run.told and run.expected_end]
    version = version_of([(run.code, run.expected_end) for run in runs])
    context = {"runs": runs, "version": version}
    return live(request, version, lambda: render(request, "bench/ends.html", context))


@require_POST
@needs("see_bench")
def undo(request: HttpRequest) -> HttpResponse:
    """Take back the person's last move."""
    try:
        undo_last(request, request.POST.get("key", "")[:60])
    except ActionError as error:
        say(request, error)
    return redirect(_back(request))


def _back(request: HttpRequest) -> str:
    """Return the page of the bench a form came from; only our own addresses."""
    target = request.POST.get("next", "")
    return target if target.startswith(("/bench/", "/appliance/", "/load/")) else "/bench/"


def _in_full(cause: str, heading: str) -> str:
    """Say where a cause belongs, unless its own words begin so."""
    return cause if cause.startswith(heading) else f"{heading}: {cause}"


@needs("see_bench")
def sheet(request: HttpRequest) -> HttpResponse:
    """Show every code of the bench, to print and hang up."""
    branches = causes_for(None)
    groups = [
        ("Commands", [(c.code, c.words) for c in COMMANDS]),
        ("Machines", [(m.code, m.name) for m in Machine.objects.exclude(state="retired")]),
        (
            "Why it failed",
            [
                (f"{CAUSE_PREFIX}{leaf.code}".upper(), _in_full(leaf.name, branch.cause.name))
                for branch in branches
                for leaf in branch.leaves
            ],
        ),
        (
            "Programs",
            [
                (f"{PROGRAM_PREFIX}{p.pk}", f"{p.stage}: {p.material}, {p.name}")
                for p in Program.objects.select_related("stage", "material")
            ],
        ),
    ]
    shown = [
        (title, [(code, words, qr_image(code)) for code, words in codes]) for title, codes in groups
    ]
    return render(request, "bench/sheet.html", {**frame(request), "groups": shown})
