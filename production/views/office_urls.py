"""Addresses of the office room: machines, stock, review, settings."""

from django.urls import path

from production.views import office, review, settings

urlpatterns = [
    path("machines/", office.machines, name="machines"),
    path("stock/", office.stock, name="stock"),
    path("review/", review.review, name="review"),
    path("review/chart/<slug:name>.svg", review.chart, name="review-chart"),
    path("review/list/<slug:what>/", review.behind, name="review-behind"),
    path("settings/", settings.settings, name="settings"),
    path("settings/office/", settings.office, name="settings-office"),
    path("settings/card/<slug:code>/", settings.card, name="settings-card"),
    path("settings/<slug:slug>/", settings.section, name="settings-section"),
    path("settings/<slug:slug>/new/", settings.edit, name="settings-new"),
    path("settings/<slug:slug>/<int:pk>/", settings.edit, name="settings-edit"),
    path("settings/<slug:slug>/<int:pk>/remove/", settings.remove, name="settings-remove"),
]
