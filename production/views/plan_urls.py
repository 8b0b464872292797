"""Addresses of the plan's pages."""

from django.urls import path

from production.views import plan, plan_block

urlpatterns = [
    path("plan/", plan.timeline, name="timeline"),
    path("plan/weeks/", plan.weeks, name="weeks"),
    path("plan/weeks/fits/", plan.fits, name="weeks-fit"),
    path("plan/weeks/fits/state/", plan.fits_state, name="weeks-fit-state"),
    path("plan/weeks/order/", plan.order_ahead, name="weeks-order"),
    path("plan/block/", plan_block.show, name="plan-block"),
    path("plan/block/move/", plan_block.move, name="plan-move"),
    path("plan/block/leave/", plan_block.leave, name="plan-leave"),
    path("plan/live/", plan.timeline_live, name="timeline-live"),
]
