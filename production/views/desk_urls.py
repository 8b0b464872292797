"""Addresses of the front desk: today, a patient's page, visits, orders and their papers."""

from django.urls import URLPattern, URLResolver, path

from production.views import (
    desk_booking,
    desk_documents,
    desk_orders,
    desk_patient,
    desk_today,
    desk_visits,
)
from production.views.presence import presence

urlpatterns: list[URLPattern | URLResolver] = [
    path("presence/", presence, name="presence"),
    path("today/", desk_today.today_page, name="today"),
    path("today/live/", desk_today.today_live, name="today-live"),
    path("today/find/", desk_today.find, name="find"),
    path("today/sheet.pdf", desk_documents.day_sheet, name="day-sheet"),
    path("patients/<uuid:uuid>/", desk_patient.patient, name="patient"),
    path("patients/<uuid:uuid>/visit/", desk_visits.visit_new, name="visit-new"),
    path("patients/<uuid:uuid>/order/", desk_booking.booking, name="booking"),
    path("visits/<uuid:uuid>/", desk_visits.visit_edit, name="visit-edit"),
    path("visits/<uuid:uuid>/status/", desk_visits.visit_status, name="visit-status"),
    path("visits/<uuid:uuid>/order/", desk_booking.booking_visit, name="booking-visit"),
    path("orders/<uuid:uuid>/", desk_orders.order, name="order"),
    path("orders/<uuid:uuid>/agreed/", desk_orders.order_agreed, name="order-agreed"),
    path("orders/<uuid:uuid>/time/", desk_orders.promise_move, name="promise-move"),
    path("orders/<uuid:uuid>/told/", desk_orders.promise_told, name="promise-told"),
    path("orders/<uuid:uuid>/cancel/", desk_orders.order_cancel, name="order-cancel"),
    path("orders/<uuid:uuid>/slip.pdf", desk_documents.slip, name="slip"),
    path("papers/<str:code>/traveler.pdf", desk_documents.traveler, name="traveler"),
    path("papers/<str:code>/label.pdf", desk_documents.bag_label, name="bag-label"),
    path("papers/<str:code>/care.pdf", desk_documents.care_card, name="care-card-pdf"),
    path("papers/<str:code>/record.pdf", desk_documents.device_record, name="device-record"),
]
