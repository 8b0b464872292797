"""Addresses of the office's own pages: patients, visits, settings of the office."""

from django.urls import URLPattern, URLResolver

urlpatterns: list[URLPattern | URLResolver] = []
