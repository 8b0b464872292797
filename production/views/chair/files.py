"""Upload of scans in parts, and the files a scan's pages load."""

from __future__ import annotations

import json
import uuid

from django.http import (
    FileResponse,
    HttpRequest,
    JsonResponse,
)
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from clinic.models import Patient, User, Visit
from clinic.permissions import needs
from production import uploads
from production.actions.chair.take_scan import take_scan
from production.models import Scan
from production.models.scans import Arch
from production.views.sending import send


@needs("upload_scans")
@require_http_methods(["GET", "POST"])
def upload(request: HttpRequest, patient: uuid.UUID, key: str) -> JsonResponse:
    """GET: how many bytes have arrived. POST: add a part at ``?offset=``."""
    get_object_or_404(Patient, uuid=patient)
    owner = _person(request).pk
    try:
        if request.method == "GET":
            return JsonResponse({"arrived": uploads.arrived(owner, key)})
        offset = int(request.GET.get("offset", "0"))
        return JsonResponse({"arrived": uploads.append(owner, key, offset, request.body)})
    except uploads.WrongOffset as error:
        return JsonResponse({"arrived": error.arrived}, status=409)
    except (uploads.UploadError, ValueError) as error:
        return JsonResponse({"problem": str(error)}, status=400)


@needs("upload_scans")
@require_POST
def complete(request: HttpRequest, patient: uuid.UUID, key: str) -> JsonResponse:
    """Make a scan of a whole upload. Safe to repeat."""
    person = _person(request)
    whose = get_object_or_404(Patient, uuid=patient)
    known = Scan.objects.filter(upload_key=f"{person.pk}-{key}").first()
    if known:
        return JsonResponse({"scan": str(known.uuid), "made": False})
    try:
        wanted = json.loads(request.body)
        arch, size = str(wanted["arch"]), int(wanted["size"])
        units = str(wanted.get("units", ""))
        visit_uuid = wanted.get("visit") or None
    except (ValueError, KeyError, TypeError):
        return JsonResponse(
            {"problem": "the request was not understood; reload the page"}, status=400
        )
    if arch not in Arch.values or units not in {"", "mm", "cm", "m", "in"}:
        return JsonResponse(
            {"problem": "say whether it is the upper or the lower arch"}, status=400
        )
    here = uploads.arrived(person.pk, key)
    if here != size or size == 0:
        problem = "the file is empty; export the scan again" if size == 0 else ""
        return JsonResponse({"arrived": here, "problem": problem}, status=400 if problem else 409)
    visit = Visit.objects.filter(uuid=visit_uuid, patient=whose).first() if visit_uuid else None
    scan, made = take_scan(
        person,
        whose,
        arch,
        uploads.read(person.pk, key),
        key=f"{person.pk}-{key}",
        visit=visit,
        units=units,
    )
    uploads.drop(person.pk, key)
    return JsonResponse(
        {"scan": str(scan.uuid), "made": made, "page": reverse("scan", args=[scan.uuid])}
    )


@needs("see_scans")
def view(request: HttpRequest, scan: uuid.UUID) -> FileResponse:
    """Return the decimated mesh for the 3D view (GLB)."""
    return send(get_object_or_404(Scan.objects.select_related("view"), uuid=scan).view)


@needs("see_scans")
def picture(request: HttpRequest, scan: uuid.UUID) -> FileResponse:
    """Return the still picture with the findings marked."""
    return send(get_object_or_404(Scan.objects.select_related("picture"), uuid=scan).picture)


@needs("see_scans")
def overlays(request: HttpRequest, scan: uuid.UUID) -> JsonResponse:
    """Return lines and points to draw over the mesh."""
    found = get_object_or_404(Scan, uuid=scan)
    return JsonResponse(found.overlays or {})


@needs("see_scans")
def original(request: HttpRequest, scan: uuid.UUID) -> FileResponse:
    """Return the file as it was uploaded, under a neutral name."""
    found = get_object_or_404(Scan.objects.select_related("file"), uuid=scan)
    kind = (found.report or {}).get("file", {}).get("format", "bin").split("-")[0]
    return send(found.file, name=f"scan-{found.uuid.hex[:8]}-{found.arch}.{kind}")


def _person(request: HttpRequest) -> User:
    assert isinstance(request.user, User)
    return request.user
