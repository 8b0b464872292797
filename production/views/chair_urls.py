"""Addresses of the chairside room: uploads, scans, prepared models."""

from django.urls import path

from production.views import chair, scan_files

urlpatterns = [
    path("chair/<uuid:patient>/", chair.chair, name="chair"),
    path("chair/<uuid:patient>/scans/", chair.scans, name="chair-scans"),
    path("chair/<uuid:patient>/upload/<str:key>/", scan_files.upload, name="upload"),
    path("chair/<uuid:patient>/upload/<str:key>/done/", scan_files.complete, name="upload-done"),
    path("scans/<uuid:scan>/", chair.scan, name="scan"),
    path("scans/<uuid:scan>/state/", chair.scan_state, name="scan-state"),
    path("scans/<uuid:scan>/accept/", chair.accept, name="scan-accept"),
    path("scans/<uuid:scan>/again/", chair.again, name="scan-again"),
    path("scans/<uuid:scan>/margin/", chair.confirm_margin, name="scan-margin"),
    path("scans/<uuid:scan>/view.glb", scan_files.view, name="scan-view"),
    path("scans/<uuid:scan>/overlays.json", scan_files.overlays, name="scan-overlays"),
    path("scans/<uuid:scan>/picture.png", scan_files.picture, name="scan-picture"),
    path("scans/<uuid:scan>/file/", scan_files.original, name="scan-file"),
]
