"""Who is signed in, asked by a page before it sends a form or gives one up."""

from __future__ import annotations

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, JsonResponse
from django.middleware.csrf import get_token
from django.views.decorators.cache import never_cache


@login_not_required
@never_cache
def presence(request: HttpRequest) -> JsonResponse:
    """Answer with the person's key (empty when nobody is signed in), name and fresh token."""
    user = request.user
    here = user.is_authenticated
    return JsonResponse(
        {
            "who": str(user.pk) if here else "",
            "name": str(user) if here else "",
            "token": get_token(request),
        }
    )
