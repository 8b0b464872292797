"""Addresses of the plan's pages."""

from django.urls import path

from production.views import plan

urlpatterns = [
    path("plan/", plan.timeline, name="timeline"),
    path("plan/live/", plan.timeline_live, name="timeline-live"),
]
