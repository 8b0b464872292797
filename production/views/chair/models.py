"""The prepared model: before and after, nudged, approved, downloaded."""

from __future__ import annotations

import json
import uuid
from collections.abc import Callable
from typing import Any

from django.http import FileResponse, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST

from clinic.models import User
from clinic.permissions import needs
from geometry.errors import GeometryError
from production.actions.chair.prepare_model import approve_model, prepare_model, send_model
from production.actions.errors import ActionError
from production.hot_folder import folder_for
from production.models import Appliance, PreparedModel, Work
from production.previewing import preview_model
from production.views.live import live, version_of
from production.views.sending import send

# name in the form → (setting, smallest, largest, step, label, unit)
NUDGES: dict[str, tuple[float, float, float, str, str]] = {
    "height": (10.0, 30.0, 0.5, "Height, incisal edge to base", "mm"),
    "pitch": (-10.0, 10.0, 0.5, "Tilt front to back", "°"),
    "roll": (-10.0, 10.0, 0.5, "Tilt side to side", "°"),
    "block_out": (0.0, 1.5, 0.05, "Undercut left after block-out", "mm"),
}


@needs("bench")
@require_POST
def prepare(request: HttpRequest, code: str) -> HttpResponse:
    """Ask for a model of an appliance, with nudged settings when given."""
    appliance = get_object_or_404(
        Appliance.objects.select_related("order__sheet", "scan", "step", "stage"), code=code
    )
    try:
        model = prepare_model(_person(request), appliance, read_changes(request.POST))
    except ActionError as error:
        return render(
            request,
            "chair/refused.html",
            {"appliance": appliance, "words": error.words},
            status=409,
        )
    return redirect("model", model=model.uuid)


@needs("bench")
def model(request: HttpRequest, model: uuid.UUID) -> HttpResponse:
    """Show a model beside its settings; the code scanner leads on from here."""
    return render(request, "chair/model.html", _context(model))


@needs("bench")
def state(request: HttpRequest, model: uuid.UUID) -> HttpResponse:
    """What is known of the model, live."""
    context = _context(model)
    return live(
        request,
        str(context["version"]),
        lambda: render(request, "chair/model_state.html", context),
    )


@needs("bench")
@require_POST
def preview(request: HttpRequest, model: uuid.UUID) -> HttpResponse:
    """Compute the model with nudged settings, for looking at only."""
    found = get_object_or_404(
        PreparedModel.objects.select_related("scan__file", "source"), uuid=model
    )
    try:
        glb, report = preview_model(found, read_changes(request.POST))
    except GeometryError as error:
        return JsonResponse({"problem": str(error)}, status=422)
    response = HttpResponse(glb, content_type="model/gltf-binary")
    response.headers["X-Model-Report"] = json.dumps(report)
    return response


@needs("bench")
@require_POST
def approve(request: HttpRequest, model: uuid.UUID) -> HttpResponse:
    """Record that a person looked at the model."""
    return _act(request, model, approve_model)


@needs("bench")
@require_POST
def send_again(request: HttpRequest, model: uuid.UUID) -> HttpResponse:
    """Lay the approved model into the printer's folder again."""
    return _act(request, model, send_model)


@needs("bench")
def view(request: HttpRequest, model: uuid.UUID) -> FileResponse:
    """Return the decimated solid for the 3D view."""
    return send(get_object_or_404(PreparedModel.objects.select_related("view"), uuid=model).view)


@needs("bench")
def picture(request: HttpRequest, model: uuid.UUID) -> FileResponse:
    """Return the still picture."""
    found = get_object_or_404(PreparedModel.objects.select_related("picture"), uuid=model)
    return send(found.picture)


@needs("bench")
def download(request: HttpRequest, model: uuid.UUID) -> FileResponse:
    """Return the printable file under a neutral name."""
    found = get_object_or_404(PreparedModel.objects.select_related("file"), uuid=model)
    return send(found.file, name=f"{found.neutral_name}.stl")


def read_changes(data: Any) -> dict[str, Any]:
    """Return the settings that a form asks for; what cannot be read is left out."""
    changes: dict[str, Any] = {}
    for name in NUDGES:
        try:
            changes[name] = float(data[name])
        except (KeyError, ValueError):
            continue
    if data.get("block_out_off"):
        changes["block_out"] = None
    if "bar" in data or "settings" in data:
        changes["bar"] = bool(data.get("bar"))
        changes["hollow"] = 2.0 if data.get("hollow") else None
    return changes


def _context(key: uuid.UUID) -> dict[str, Any]:
    found = get_object_or_404(
        PreparedModel.objects.select_related(
            "scan__patient", "view", "picture", "file", "made_by", "approved_by"
        ),
        uuid=key,
    )
    appliance = found.appliances.select_related("order__patient", "kind", "stage").first()
    row = Work.objects.filter(kind="prepare", subject_id=found.pk).order_by("-pk").first()
    settings = found.settings
    return {
        "model": found,
        "report": found.report or {},
        "appliance": appliance,
        "settings": settings,
        "view_data": _overlays(found),
        "nudges": [
            {"name": n, "value": settings.get(n), "low": low, "high": high, "step": step,
             "label": label, "unit": unit}
            for n, (low, high, step, label, unit) in NUDGES.items()
        ],
        # For the scan field: a code read here has nothing to act on but what it opens.
        "scan_context": "",
        "key": uuid.uuid4().hex,
        "work": row,
        "folder": folder_for() is not None,
        "version": version_of(
            found.status, found.approved_at, found.sent_at, found.sent_problem,
            row and (row.status, row.attempts),
        ),
    }  # fmt: skip


def _overlays(found: PreparedModel) -> dict[str, Any]:
    """Return what the 3D view draws over a model: its axes, and the cut above the base."""
    report = found.report or {}
    # Biting surfaces up, front teeth towards −y; a model is never mirrored.
    right = 1.0 if found.settings.get("arch") != "lower" else -1.0
    frame = {"right": [right, 0, 0], "anterior": [0, -1, 0], "occlusal": [0, 0, 1]}
    trim = (report.get("trim") or {}).get("z_mm")
    return {
        "frame": frame | {"origin": [0, 0, 0]},
        "cut_mm": None if trim is None else -trim,
        "transform": report.get("transform"),
    }


def _person(request: HttpRequest) -> User:
    assert isinstance(request.user, User)
    return request.user


def _act(
    request: HttpRequest, key: uuid.UUID, action: Callable[[User, PreparedModel], object]
) -> HttpResponse:
    """Do ``action`` and show the model again, with the reason when it was refused."""
    found = get_object_or_404(PreparedModel, uuid=key)
    try:
        action(_person(request), found)
    except ActionError as error:
        return render(
            request, "chair/model.html", _context(key) | {"problem": error.words}, status=409
        )
    return redirect("model", model=key)
