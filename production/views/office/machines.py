"""Machines: state, downtime, maintenance."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from clinic.models import User
from clinic.permissions import needs
from clinic.templatetags.show import clock
from production.accuracy import CHARTS, alarms, followed, together
from production.actions.errors import ActionError
from production.actions.office.keep_machine import bring_back, call_off, note_maintenance, take_out
from production.models import Machine, MaintenanceTask
from production.selectors.office import machines as select
from production.statistics.charts import FEW_POINTS
from production.views.typed import hold, moment, take


@needs("stock")
def machines(request: HttpRequest) -> HttpResponse:
    """List the machines with their state and what is due."""
    return render(request, "machines/machines.html", {"machines": select.machines()})


@needs("stock")
def machine(request: HttpRequest, key: uuid.UUID) -> HttpResponse:
    """Show one machine."""
    found = get_object_or_404(Machine, uuid=key)
    state = next((s for s in select.machines() if s.machine.pk == found.pk), None)
    checks = select.accuracy(found)
    resins = [
        {
            "group": group,
            "alarms": together(alarms(group.checks)),
            "few": len(group.checks) < FEW_POINTS,
            "charts": [
                (what, name)
                for what, name in CHARTS.items()
                if len(followed(group.checks, what)[0]) > 1
            ],
        }
        for group in select.by_resin(checks)
    ]
    return render(
        request,
        "machines/machine.html",
        {
            "machine": found,
            "state": state,
            "history": found.downtimes.filter(starts_at__lte=timezone.now()).select_related(
                "recorded_by"
            )[:20],
            "typed": take(request),
            "key": uuid.uuid4().hex,
            "checks": list(reversed(checks))[:20],
            "resins": resins,
            "lots": select.resin_lots() if found.kind == "printer" else [],
        },
    )


@needs("bench")
@require_POST
def out(request: HttpRequest, key: uuid.UUID) -> HttpResponse:
    """Take a machine out of service, now or from a later time on."""
    found = get_object_or_404(Machine, uuid=key)
    assert isinstance(request.user, User)
    try:
        row = take_out(
            request.user,
            found,
            request.POST.get("reason", ""),
            moment(request.POST, "until"),
            since=moment(request.POST, "since"),
            key=request.POST.get("key", "")[:60],
        )
    except ActionError as error:
        messages.error(request, error.words)
        hold(request, reverse("machine", args=[key]))
        return redirect("machine", key=key)
    since = "" if row.starts_at <= timezone.now() else f" from {clock(row.starts_at)} on"
    messages.success(request, f"{found} is out of service{since}; the plan keeps clear of it.")
    return redirect("machine", key=key)


@needs("bench")
@require_POST
def off(request: HttpRequest, key: uuid.UUID, pk: int) -> HttpResponse:
    """Call off a span out of service that has not begun."""
    found = get_object_or_404(Machine, uuid=key)
    assert isinstance(request.user, User)
    row = found.downtimes.filter(pk=pk).first()
    try:
        if row is not None:
            call_off(request.user, row)
        messages.success(request, "Called off; the plan is made anew.")
    except ActionError as error:
        messages.error(request, error.words)
    return redirect("machine", key=key)


@needs("bench")
@require_POST
def back(request: HttpRequest, key: uuid.UUID) -> HttpResponse:
    """Bring a machine back."""
    found = get_object_or_404(Machine, uuid=key)
    assert isinstance(request.user, User)
    bring_back(request.user, found)
    messages.success(request, f"{found} is back in service.")
    return redirect("machine", key=key)


@needs("bench")
@require_POST
def maintenance(request: HttpRequest, key: uuid.UUID, pk: int) -> HttpResponse:
    """Note that a maintenance task was done."""
    task = get_object_or_404(MaintenanceTask, pk=pk, machine__uuid=key)
    assert isinstance(request.user, User)
    note_maintenance(
        request.user, task, request.POST.get("note", ""), key=request.POST.get("key", "")[:60]
    )
    messages.success(request, f"Noted: {task.name}.")
    return redirect("machine", key=key)
