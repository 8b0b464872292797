"""What each role may do. Views and actions ask for a capability, never for a role."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from django.http.response import HttpResponseBase

from clinic.models import Role, User

Response = TypeVar("Response", bound=HttpResponseBase)
D, T, F, M = Role.DOCTOR, Role.TECHNICIAN, Role.FRONT_DESK, Role.MANAGER

CAPABILITIES: dict[str, tuple[Role, ...]] = {
    # capability: who has it
    "see_patients": (F, T, D, M),
    "edit_patients": (F, D, M),
    "book": (F, D, M),
    "prescribe": (D,),
    "order": (F, D, M),
    "upload_scans": (T, D, M),
    "see_scans": (T, D, M),
    "accept_scan": (D,),
    "bench": (T, D, M),
    "absences": (F, T, D, M),
    "hand_over": (F, T, D, M),
    "see_bench": (F, T, D, M),
    "review": (D, M),
    "stock": (T, D, M),
    "manage": (M,),
    "edit_cards": (M, D),
    "recall": (T, D, M),
    "reinstate_lots": (D, M),
    "audit": (M,),
    "device_record": (D, M),
}


def may(user: Any, capability: str) -> bool:
    """Whether ``user`` has ``capability``; raises KeyError for one that does not exist."""
    roles = CAPABILITIES[capability]
    return bool(isinstance(user, User) and user.is_active and user.role in roles)


def require(user: Any, capability: str) -> None:
    """Raise PermissionDenied, with words for the person, unless ``user`` has ``capability``."""
    if not may(user, capability):
        who = " or ".join(str(r.label).lower() for r in CAPABILITIES[capability])
        raise PermissionDenied(f"This needs the role {who}. Ask a colleague or your manager.")


def needs(capability: str) -> Callable[[Callable[..., Response]], Callable[..., Response]]:
    """Decorate a view so that only people with ``capability`` reach it."""

    def decorate(view: Callable[..., Response]) -> Callable[..., Response]:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> Response:
            require(request.user, capability)
            return view(request, *args, **kwargs)

        guarded.capability = capability  # type: ignore[attr-defined]
        return guarded

    return decorate
