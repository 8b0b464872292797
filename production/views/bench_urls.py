"""Addresses of this room."""

from django.urls import URLPattern, URLResolver, path

from production.views import bench

urlpatterns: list[URLPattern | URLResolver] = [
    path("bench/", bench.bench, name="bench"),
]
