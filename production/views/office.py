"""The office room's entry pages: machines, stock, review, settings."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from clinic.permissions import needs
from production.models import Lot, Machine


@needs("stock")
def machines(request: HttpRequest) -> HttpResponse:
    """List the machines."""
    return render(request, "office/machines.html", {"machines": Machine.objects.all()})


@needs("stock")
def stock(request: HttpRequest) -> HttpResponse:
    """List the lots."""
    return render(
        request, "office/stock.html", {"lots": Lot.objects.select_related("material")[:200]}
    )
