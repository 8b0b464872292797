"""Addresses of the plan's pages."""

from django.urls import path

from production.views import plan

urlpatterns = [
    path("plan/", plan.timeline, name="timeline"),
    path("plan/weeks/", plan.weeks, name="weeks"),
    path("plan/weeks/fits/", plan.fits, name="weeks-fit"),
    path("plan/weeks/order/", plan.order_ahead, name="weeks-order"),
    path("plan/live/", plan.timeline_live, name="timeline-live"),
]
