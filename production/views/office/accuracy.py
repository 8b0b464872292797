"""Printer accuracy: rescans of a check model taken in, measured, shown."""

from __future__ import annotations

import uuid
from dataclasses import replace

from django.conf import settings
from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from clinic.models import User
from clinic.permissions import needs
from geometry.accuracy import check_body
from geometry.reading import write_stl
from production import charts
from production.accuracy import CHARTS, alarms, followed, mean_deviation, together
from production.actions.errors import ActionError
from production.actions.office.check_accuracy import check_accuracy
from production.models import AccuracyCheck, Machine, Work
from production.selectors.office import machines as select
from production.statistics import individuals_chart
from production.views.live import live, version_of
from production.views.sending import send


@needs("bench")
@require_POST
def take(request: HttpRequest, key: uuid.UUID) -> HttpResponse:
    """Take in the rescans of a printed check model."""
    machine = get_object_or_404(Machine, uuid=key)
    assert isinstance(request.user, User)
    files = request.FILES.getlist("rescans")
    if any((file.size or 0) > settings.SCAN_MAX_BYTES for file in files):
        messages.error(request, "A file is too large; export the scan with fewer triangles.")
        return redirect("machine", key=key)
    lot = next((lot for lot in select.resin_lots() if str(lot.pk) == request.POST.get("lot")), None)
    try:
        check = check_accuracy(
            request.user, machine, [f.chunks() for f in files], lot, request.POST.get("code", "")
        )
    except ActionError as error:
        messages.error(request, error.words)
        return redirect("machine", key=key)
    return redirect("accuracy", check=check.uuid)


@needs("stock")
def accuracy(request: HttpRequest, check: uuid.UUID) -> HttpResponse:
    """Show one check: colour map, figures, alarms, what to do."""
    return render(request, "machines/check.html", _context(check))


@needs("stock")
def accuracy_state(request: HttpRequest, check: uuid.UUID) -> HttpResponse:
    """The check, live."""
    context = _context(check)
    return live(
        request,
        str(context["version"]),
        lambda: render(request, "machines/check_state.html", context),
    )


@needs("stock")
def picture(request: HttpRequest, check: uuid.UUID) -> FileResponse:
    """Return the colour map."""
    found = get_object_or_404(AccuracyCheck.objects.select_related("picture"), uuid=check)
    return send(found.picture)


@needs("stock")
def body(request: HttpRequest) -> HttpResponse:
    """Return the print file of the check body."""
    mesh = check_body()
    response = HttpResponse(write_stl(mesh), content_type="model/stl")
    response.headers["Content-Disposition"] = 'attachment; filename="check-body.stl"'
    return response


@needs("stock")
def chart(request: HttpRequest, key: uuid.UUID, what: str) -> HttpResponse:
    """Return an individuals chart (or its moving range) for one resin as SVG."""
    found = get_object_or_404(Machine, uuid=key)
    groups = select.by_resin(select.accuracy(found))
    wanted = request.GET.get("resin")
    group = next((g for g in groups if g.key == wanted), groups[0] if groups else None)
    checks = group.checks if group else []
    followed_by = what.removesuffix("-range")
    if followed_by not in CHARTS:
        raise Http404
    checks, values = followed(checks, followed_by)
    labels = [f"{timezone.localtime(c.measured_at):%d %b}" for c in checks]
    name = f"{CHARTS[followed_by]}, mm"
    points, ranges = individuals_chart(values, judged=1)
    if followed_by == "precision":  # a spread is never below zero
        points = replace(points, lower=[max(0.0, limit) for limit in points.lower])
    drawn = charts.control_chart(points, labels, name)
    if what.endswith("-range"):
        drawn = charts.control_chart(ranges, labels[1:], f"moving range of {name}")
    response = HttpResponse(drawn, content_type="image/svg+xml")
    response.headers["Content-Security-Policy"] = charts.POLICY
    return response


def _context(key: uuid.UUID) -> dict[str, object]:
    check = get_object_or_404(
        AccuracyCheck.objects.select_related(
            "machine", "lot__material", "model", "recorded_by", "picture"
        ),
        uuid=key,
    )
    earlier: list[AccuracyCheck] = []
    if check.status == AccuracyCheck.Status.MEASURED:
        same = [g.checks for g in select.by_resin(select.accuracy(check.machine))]
        group = next((g for g in same if any(c.pk == check.pk for c in g)), [])
        earlier = [c for c in group if c.measured_at <= check.measured_at]
    growth = (check.report or {}).get("growth_mm")
    row = Work.objects.filter(kind="accuracy", subject_id=check.pk).order_by("-pk").first()
    return {
        "check": check,
        "machine": check.machine,
        "report": check.report or {},
        "mean_deviation": mean_deviation(check) if check.report or check.trueness_mm else None,
        "growth": None if growth is None else round(growth, 3) + 0.0,  # no minus before zero
        "stretch": {
            axis: round(percent, 2) + 0.0
            for axis, percent in (check.report or {}).get("scale_error_percent", {}).items()
        },
        "shares": [
            (f"±{limit} mm", 100.0 * share)
            for limit, share in (check.report or {}).get("within", {}).items()
        ],
        "alarms": together(alarms(earlier)),
        "number": len(earlier),
        "version": version_of(check.status, row and (row.status, row.attempts)),
    }
