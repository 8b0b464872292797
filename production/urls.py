"""Addresses of production, one module of addresses per room."""

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("production.views.desk_urls")),
    path("", include("production.views.bench_urls")),
    path("", include("production.views.chair_urls")),
    path("", include("production.views.plan_urls")),
    path("", include("production.views.office_urls")),
]
