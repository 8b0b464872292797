"""Addresses of the front desk: today, a patient's page, visits, orders and their papers."""

from django.urls import URLPattern, URLResolver, path

from production.views.desk import booking, documents, lists, orders, patient, today, visits
from production.views.presence import presence

urlpatterns: list[URLPattern | URLResolver] = [
    path("presence/", presence, name="presence"),
    path("today/", today.today_page, name="today"),
    path("today/live/", today.today_live, name="today-live"),
    path("today/find/", today.find, name="find"),
    path("today/sheet.pdf", documents.day_sheet, name="day-sheet"),
    path("patients/<uuid:uuid>/", patient.patient, name="patient"),
    path("patients/<uuid:uuid>/visit/", visits.visit_new, name="visit-new"),
    path("patients/<uuid:uuid>/order/", booking.booking, name="booking"),
    path("patients/list/<slug:what>/", lists.from_list, name="from-list"),
    path("patients/list/back/<int:pk>/", lists.list_back, name="list-back"),
    path("visits/<uuid:uuid>/", visits.visit_edit, name="visit-edit"),
    path("visits/<uuid:uuid>/status/", visits.visit_status, name="visit-status"),
    path("visits/<uuid:uuid>/order/", booking.booking_visit, name="booking-visit"),
    path("orders/<uuid:uuid>/", orders.order, name="order"),
    path("orders/<uuid:uuid>/agreed/", orders.order_agreed, name="order-agreed"),
    path("orders/<uuid:uuid>/time/", orders.promise_move, name="promise-move"),
    path("orders/<uuid:uuid>/prescription/", orders.prescription, name="prescription"),
    path("orders/<uuid:uuid>/told/", orders.promise_told, name="promise-told"),
    path("orders/<uuid:uuid>/cancel/", orders.order_cancel, name="order-cancel"),
    path("orders/<uuid:uuid>/slip.pdf", documents.slip, name="slip"),
    path("papers/<str:code>/traveler.pdf", documents.traveler, name="traveler"),
    path("papers/<str:code>/label.pdf", documents.bag_label, name="bag-label"),
    path("papers/<str:code>/care.pdf", documents.care_card, name="care-card-pdf"),
    path("papers/<str:code>/record.pdf", documents.device_record, name="device-record"),
]
