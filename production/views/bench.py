"""The bench page."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from clinic.permissions import needs


@needs("see_bench")
def bench(request: HttpRequest) -> HttpResponse:
    """Show what to do next."""
    return render(request, "bench/bench.html")
