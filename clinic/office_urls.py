"""Addresses of the office's own pages: patients, visits, settings of the office."""

from django.urls import URLPattern, URLResolver, path

from clinic.views import patients

urlpatterns: list[URLPattern | URLResolver] = [
    path("patients/", patients.patients, name="patients"),
    path("patients/new/", patients.patient_new, name="patient-new"),
    path("patients/<uuid:uuid>/edit/", patients.patient_edit, name="patient-edit"),
]
