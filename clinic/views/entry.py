"""Where a person lands: home by role, health check, error pages."""

from __future__ import annotations

import time
from pathlib import Path

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db import connection
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render

from clinic.middleware import page_before
from clinic.models import Role

HOME = {
    Role.FRONT_DESK: "today",
    Role.TECHNICIAN: "bench",
    Role.DOCTOR: "today",
    Role.MANAGER: "today",
}
WORKER_SILENT_AFTER = 20.0


def home(request: HttpRequest) -> HttpResponse:
    """Send each role to the page it works on."""
    return redirect(HOME.get(Role(request.user.role), "today"))  # type: ignore[union-attr]


@login_not_required
def healthz(request: HttpRequest) -> JsonResponse:
    """200 once pages and worker are ready; 503 with what is missing before that."""
    missing = []
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except Exception:
        missing.append("database")
    beat = Path(settings.DATA_DIR) / "worker-alive"
    try:
        age = time.time() - beat.stat().st_mtime
    except OSError:
        age = float("inf")
    if age > WORKER_SILENT_AFTER:
        missing.append("worker")
    return JsonResponse({"ready": not missing, "missing": missing}, status=503 if missing else 200)


def forbidden(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """Say which role the page needs."""
    words = str(exception) if exception and str(exception) else "You may not open this page."
    return render(request, "errors/403.html", {"words": words}, status=403)


def stale(request: HttpRequest, reason: str = "") -> HttpResponse:
    """Answer a form whose token is older than the sign-in: draw its page anew and say so."""
    words = "This page was older than your sign-in. Nothing was recorded: please do it again."
    if request.headers.get("HX-Request"):
        answer = HttpResponse(status=204)
        answer.headers["HX-Refresh"] = "true"
        return answer
    back = page_before(request)
    if back == "/" or "text/html" not in request.headers.get("Accept", ""):
        return render(request, "errors/403.html", {"words": words}, status=403)
    messages.error(request, words, extra_tags="bad")
    return redirect(back)


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """Nothing at this address."""
    return render(request, "errors/404.html", status=404)


def broken(request: HttpRequest) -> HttpResponse:
    """Something failed; nothing about the inside is shown."""
    return render(request, "errors/500.html", status=500)
