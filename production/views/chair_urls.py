"""Addresses of the chairside room: uploads, scans, prepared models."""

from django.urls import path

from production.views import chair, models3d, scan_files, series, series_keeping

urlpatterns = [
    path("chair/<uuid:patient>/", chair.chair, name="chair"),
    path("chair/<uuid:patient>/scans/", chair.scans, name="chair-scans"),
    path("chair/<uuid:patient>/upload/<str:key>/", scan_files.upload, name="upload"),
    path("chair/<uuid:patient>/upload/<str:key>/done/", scan_files.complete, name="upload-done"),
    path("scans/<uuid:scan>/", chair.scan, name="scan"),
    path("scans/<uuid:scan>/state/", chair.scan_state, name="scan-state"),
    path("scans/<uuid:scan>/accept/", chair.accept, name="scan-accept"),
    path("scans/<uuid:scan>/accept/back/", chair.take_back, name="scan-accept-back"),
    path("scans/<uuid:scan>/again/", chair.again, name="scan-again"),
    path("scans/<uuid:scan>/aside/", chair.set_aside, name="scan-aside"),
    path("scans/<uuid:scan>/margin/", chair.confirm_margin, name="scan-margin"),
    path("scans/<uuid:scan>/view.glb", scan_files.view, name="scan-view"),
    path("scans/<uuid:scan>/overlays.json", scan_files.overlays, name="scan-overlays"),
    path("scans/<uuid:scan>/picture.png", scan_files.picture, name="scan-picture"),
    path("scans/<uuid:scan>/file/", scan_files.original, name="scan-file"),
    path("chair/<uuid:patient>/series/", series.series, name="series"),
    path("chair/<uuid:patient>/series/take/", series.take, name="series-take"),
    path("series/<uuid:intake>/", series.intake, name="series-intake"),
    path("series/<uuid:intake>/numbers/", series.renumber, name="series-numbers"),
    path("series/<uuid:intake>/state/", series.intake_state, name="series-state"),
    path("series/<uuid:series>/change/", series_keeping.change, name="series-change"),
    path("series/<uuid:series>/pause/", series_keeping.pause, name="series-pause"),
    path("models/<uuid:model>/", models3d.model, name="model"),
    path("models/<uuid:model>/state/", models3d.state, name="model-state"),
    path("models/<uuid:model>/preview/", models3d.preview, name="model-preview"),
    path("models/<uuid:model>/approve/", models3d.approve, name="model-approve"),
    path("models/<uuid:model>/send/", models3d.send_again, name="model-send"),
    path("models/<uuid:model>/view.glb", models3d.view, name="model-view"),
    path("models/<uuid:model>/picture.png", models3d.picture, name="model-picture"),
    path("models/<uuid:model>/file/", models3d.download, name="model-file"),
    path("appliance/<str:code>/prepare/", models3d.prepare, name="prepare"),
]
