"""The plate of a print load: nested, dragged, downloaded."""

from __future__ import annotations

import io
import json

from django.contrib import messages
from django.db import transaction
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from clinic.models import User, record
from clinic.permissions import needs
from geometry.errors import GeometryError
from production import work
from production.actions.bench.loading import add_to_load, choose_machine, remove_from_load
from production.actions.errors import ActionError
from production.hot_folder import folder_for
from production.models import Appliance, Load, Machine, Plate, Work
from production.plating import GAP_MM, TooNear, arrange_load, plate_stl
from production.views.bench.board import frame
from production.views.bench.subject import load_subject
from production.views.live import live, version_of
from production.views.sending import send


@needs("bench")
def plate(request: HttpRequest, code: str) -> HttpResponse:
    """Show the plate, to drag and turn models on."""
    subject = load_subject(request, code.upper())
    if subject is None:
        raise Http404
    around = frame(request, subject.name, subject.shown)
    return render(request, "bench/plate.html", {**around, **_context(code)})


@needs("bench")
def plate_live(request: HttpRequest, code: str) -> HttpResponse:
    """The plate, when it has changed."""
    context = _context(code)
    return live(
        request,
        str(context["version"]),
        lambda: render(request, "bench/plate_state.html", context),
    )


@needs("bench")
@require_POST
def nest(request: HttpRequest, code: str) -> HttpResponse:
    """Ask for a nesting of what is on the plate now, on the printer that the form names.

    ``out``: the code of a model that is taken off first.
    """
    load = get_object_or_404(Load.objects.select_related("stage"), code=code)
    user = request.user
    assert isinstance(user, User)
    try:
        with transaction.atomic():
            printer = request.POST.get("machine", "")
            if printer.isdigit():
                choose_machine(user, load, get_object_or_404(Machine, pk=printer))
            if out := request.POST.get("out", ""):
                remove_from_load(user, load, get_object_or_404(Appliance, code=out))
            if load.items.exists():
                work.ask("nest", load.pk, coalesce=True)
            else:
                Plate.objects.filter(load=load).delete()
    except ActionError as error:
        messages.error(request, error.words, extra_tags="bad")
    return redirect("plate", code=code)


@needs("bench")
@require_POST
def arrange(request: HttpRequest, code: str) -> JsonResponse:
    """Keep the arrangement of a person's hand, or say what stands too near.

    Sent as JSON: ``placements``; ``out`` and ``back``, codes of models that are taken off the
    load or put back with it; ``apart``, to move apart what stands too near.
    """
    load = get_object_or_404(Load.objects.select_related("machine", "stage"), code=code)
    user = request.user
    assert isinstance(user, User)
    if load.status != Load.Status.FILLING:
        return JsonResponse({"problem": "This plate has started; it stays as it is."}, status=409)
    try:
        sent = json.loads(request.body)
        out, back = ([str(each) for each in sent.get(key, [])] for key in ("out", "back"))
        places = sent["placements"]
        emptied = not places and bool(out)
        nested = None if emptied else arrange_load(load, places, back, out, bool(sent.get("apart")))
    except TooNear as error:
        return JsonResponse({"problem": str(error), "near": True}, status=422)
    except GeometryError as error:
        return JsonResponse({"problem": f"{error}."}, status=422)
    except (ValueError, KeyError, TypeError, AttributeError):
        return JsonResponse({"problem": "Not understood; load the page again."}, status=400)
    try:
        with transaction.atomic():
            for appliance in Appliance.objects.filter(code__in=out):
                remove_from_load(user, load, appliance)
            for appliance in Appliance.objects.filter(code__in=back):
                add_to_load(user, load, appliance)
            if nested is None:
                Plate.objects.filter(load=load).delete()
            else:
                nested.save(load)
            record(user, "plate arranged", load)
    except ActionError as error:
        return JsonResponse({"problem": error.words}, status=409)
    return JsonResponse({"saved": True})


@needs("bench")
@require_POST
def send_plate(request: HttpRequest, code: str) -> HttpResponse:
    """Lay the print file into the printer's folder."""
    load = get_object_or_404(Load, code=code, plate__file__isnull=False)
    assert isinstance(request.user, User)
    with transaction.atomic():
        Plate.objects.filter(load=load).update(sent_at=None, sent_problem="")
        work.ask("send-plate", load.pk, coalesce=True)
        record(request.user, "plate sent to the printer's folder", load)
    return redirect("plate", code=code)


@needs("bench")
def picture(request: HttpRequest, code: str) -> FileResponse:
    """Return the plate's picture."""
    return send(get_object_or_404(Plate.objects.select_related("picture"), load__code=code).picture)


@needs("bench")
def download(request: HttpRequest, code: str) -> FileResponse | HttpResponse:
    """Return the print file, as 3MF or (``?as=stl``) all models in one STL."""
    found = get_object_or_404(
        Plate.objects.select_related("file", "load__machine"), load__code=code
    )
    if request.GET.get("as") != "stl" or found.file is None:
        return send(found.file, name=f"plate-{code}.3mf")
    try:
        data = plate_stl(found.load)
    except GeometryError as error:
        messages.error(request, f"{error}"[:1].upper() + f"{error}"[1:] + ".", extra_tags="bad")
        return redirect("plate", code=code)
    return FileResponse(io.BytesIO(data), as_attachment=True, filename=f"plate-{code}.stl")


def _context(code: str) -> dict[str, object]:
    load = get_object_or_404(
        Load.objects.select_related("machine", "stage", "plate__file"), code=code
    )
    found = getattr(load, "plate", None)
    row = Work.objects.filter(kind="nest", subject_id=load.pk).order_by("-pk").first()
    busy = row is not None and row.status in {Work.Status.PENDING, Work.Status.RUNNING}
    report = found.report if found else {}
    sending = Work.objects.filter(
        kind="send-plate",
        subject_id=load.pk,
        status__in=[Work.Status.PENDING, Work.Status.RUNNING],
    ).exists()
    codes = sorted(load.appliances.values_list("code", flat=True))
    placed = sorted(p["name"] for p in report.get("placed", []))
    left = [u["name"] for u in report.get("unplaced", [])]
    minutes = None
    if found and found.height_mm and load.machine and load.machine.minutes_per_mm:
        minutes = load.machine.print_minutes(found.height_mm)
    return {
        "load": load,
        "plate": found,
        "report": report,
        "busy": busy,
        "stale": load.status == Load.Status.FILLING
        and bool(found and found.file_id and codes != sorted([*placed, *left])),
        "minutes": minutes,
        "folder": folder_for(load.machine) is not None,
        "printers": Machine.objects.filter(
            kind=load.stage.machine_kind, plate_width_mm__isnull=False
        ).exclude(state=Machine.State.RETIRED)
        if load.status == Load.Status.FILLING
        else [],
        "sending": sending,
        "count": len(codes),
        "data": {
            "plate": report.get("plate_mm"),
            "placed": report.get("placed", []),
            "outlines": report.get("outlines", {}),
            "spots": report.get("spots", {}),
            "gap": report.get("gap_mm", GAP_MM),
        },
        "version": version_of(
            load.status,
            load.machine_id,
            busy,
            codes,
            row and row.pk,
            found and (found.file_id, found.report, found.sent_at, found.sent_problem),
            sending,
        ),
    }
