"""Addresses of the office room: machines, stock, review, settings."""

from django.urls import path

from production.views import office

urlpatterns = [
    path("machines/", office.machines, name="machines"),
    path("stock/", office.stock, name="stock"),
]
