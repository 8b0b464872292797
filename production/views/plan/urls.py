"""Addresses of the plan's pages."""

from django.urls import path

from production.views.plan import block, people, timeline

urlpatterns = [
    path("plan/", timeline.timeline, name="timeline"),
    path("plan/weeks/", timeline.weeks, name="weeks"),
    path("plan/weeks/fits/", timeline.fits, name="weeks-fit"),
    path("plan/weeks/fits/state/", timeline.fits_state, name="weeks-fit-state"),
    path("plan/weeks/order/", timeline.order_ahead, name="weeks-order"),
    path("plan/people/", people.people, name="people"),
    path("plan/people/ask/", people.ask, name="people-ask"),
    path("plan/people/away/", people.away, name="people-away"),
    path("plan/people/<int:pk>/back/", people.back, name="people-back"),
    path("plan/block/", block.show, name="plan-block"),
    path("plan/block/move/", block.move, name="plan-move"),
    path("plan/block/leave/", block.leave, name="plan-leave"),
    path("plan/live/", timeline.timeline_live, name="timeline-live"),
]
