"""Stored files given out."""

from __future__ import annotations

from typing import Any

from django.http import FileResponse, Http404

from production.models import StoredFile


def send(file: StoredFile | None, *, name: str = "") -> FileResponse:
    """Return a stored file; content never changes under its hash."""
    if file is None:
        raise Http404("no such file yet")
    kwargs: dict[str, Any] = {"content_type": file.media_type}
    response = FileResponse(file.path.open("rb"), as_attachment=bool(name), filename=name, **kwargs)
    response.headers["ETag"] = f'"{file.sha256}"'
    response.headers["Cache-Control"] = "private, max-age=3600"
    return response
