"""Request middleware: content security policy, and the office's clock."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from urllib.parse import urlencode, urlsplit

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import resolve_url
from django.utils import timezone
from django.utils.functional import SimpleLazyObject

from clinic.clock import keeping
from clinic.models import Office

Handler = Callable[[HttpRequest], HttpResponse]


class ContentSecurityPolicy:
    """Send a policy without inline script or style; the import map carries the nonce."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer the request with the policy's header set."""
        nonce = SimpleLazyObject(lambda: secrets.token_urlsafe(16))
        request.csp_nonce = nonce  # type: ignore[attr-defined]
        response = self.get_response(request)
        response.headers.setdefault(
            "Content-Security-Policy",
            "default-src 'self'; "
            f"script-src 'self' 'nonce-{nonce}'; "
            "style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
            "media-src 'self' blob:; worker-src 'self' blob:; "
            "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
        )
        response.headers.setdefault("Permissions-Policy", "camera=(self), microphone=()")
        if request.user.is_authenticated if hasattr(request, "user") else False:
            # Pages hold patients' data: no copy in a shared tablet's cache.
            response.headers.setdefault("Cache-Control", "no-store")
        return response


def page_before(request: HttpRequest) -> str:
    """Return the page of ours that a request came from, without its host; “/” if unknown."""
    came = urlsplit(request.headers.get("Referer", ""))
    if came.netloc != request.get_host() or came.path[:1] != "/" or came.path[:2] == "//":
        return "/"
    return f"{came.path}?{came.query}" if came.query else came.path


class SignInAgain:
    """Send a person whose session has lapsed to sign in, and then back to the page they saw.

    htmx follows a redirect by itself and would put the sign-in form into a live part. What a
    form wanted is not done after the sign-in, which may be somebody else's; its address
    answers no plain visit, so the way back leads to the page that held the form.
    """

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer with a redirect that the browser, not the part, carries out."""
        response = self.get_response(request)
        login = resolve_url(settings.LOGIN_URL)
        lapsed = response.status_code == 302 and response.headers["Location"].startswith(login)
        if not lapsed:
            return response
        if not request.headers.get("HX-Request"):
            if request.method == "POST":
                back = {"next": page_before(request), "lapsed": "yes"}
                response.headers["Location"] = f"{login}?{urlencode(back)}"
            return response
        page = urlsplit(request.headers.get("HX-Current-URL", "")).path or "/"
        answer = HttpResponse(status=204)
        answer.headers["HX-Redirect"] = f"{login}?{urlencode({'next': page})}"
        return answer


def office_of(request: HttpRequest) -> Office:
    """Return the office that ``OfficeTime`` read for this request, once for all who ask."""
    found: Office = request.office  # type: ignore[attr-defined]
    return found


class OfficeTime:
    """Show times on the office's clock."""

    def __init__(self, get_response: Handler) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """Answer the request with the office's time zone active."""
        request.office = SimpleLazyObject(Office.get)  # type: ignore[attr-defined]
        if request.path.startswith(("/static/", "/healthz")):
            return self.get_response(request)
        zone = office_of(request).zone
        with timezone.override(zone), keeping(zone):
            return self.get_response(request)
