"""Template context shared by every page."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest


def office(request: HttpRequest) -> dict[str, Any]:
    """Return the office and the policy nonce."""
    return {
        "office": getattr(request, "office", None),
        "csp_nonce": getattr(request, "csp_nonce", ""),
    }
