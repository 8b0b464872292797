"""Addresses of production, one module of addresses per room."""

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("production.views.desk.urls")),
    path("", include("production.views.bench.urls")),
    path("", include("production.views.chair.urls")),
    path("", include("production.views.plan.urls")),
    path("", include("production.views.office.urls")),
]
