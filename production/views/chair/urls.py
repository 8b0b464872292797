"""Addresses of the chairside room: uploads, scans, prepared models."""

from django.urls import path

from production.views.chair import files, models, scans, series, series_keeping

urlpatterns = [
    path("chair/<uuid:patient>/", scans.chair, name="chair"),
    path("chair/<uuid:patient>/scans/", scans.scans, name="chair-scans"),
    path("chair/<uuid:patient>/upload/<str:key>/", files.upload, name="upload"),
    path("chair/<uuid:patient>/upload/<str:key>/done/", files.complete, name="upload-done"),
    path("scans/<uuid:scan>/", scans.scan, name="scan"),
    path("scans/<uuid:scan>/state/", scans.scan_state, name="scan-state"),
    path("scans/<uuid:scan>/accept/", scans.accept, name="scan-accept"),
    path("scans/<uuid:scan>/accept/back/", scans.take_back, name="scan-accept-back"),
    path("scans/<uuid:scan>/again/", scans.again, name="scan-again"),
    path("scans/<uuid:scan>/aside/", scans.set_aside, name="scan-aside"),
    path("scans/<uuid:scan>/margin/", scans.confirm_margin, name="scan-margin"),
    path("scans/<uuid:scan>/view.glb", files.view, name="scan-view"),
    path("scans/<uuid:scan>/overlays.json", files.overlays, name="scan-overlays"),
    path("scans/<uuid:scan>/picture.png", files.picture, name="scan-picture"),
    path("scans/<uuid:scan>/file/", files.original, name="scan-file"),
    path("chair/<uuid:patient>/series/", series.series, name="series"),
    path("chair/<uuid:patient>/series/take/", series.take, name="series-take"),
    path("series/<uuid:intake>/", series.intake, name="series-intake"),
    path("series/<uuid:intake>/numbers/", series.renumber, name="series-numbers"),
    path("series/<uuid:intake>/state/", series.intake_state, name="series-state"),
    path("series/<uuid:series>/change/", series_keeping.change, name="series-change"),
    path("series/<uuid:series>/pause/", series_keeping.pause, name="series-pause"),
    path("models/<uuid:model>/", models.model, name="model"),
    path("models/<uuid:model>/state/", models.state, name="model-state"),
    path("models/<uuid:model>/preview/", models.preview, name="model-preview"),
    path("models/<uuid:model>/approve/", models.approve, name="model-approve"),
    path("models/<uuid:model>/send/", models.send_again, name="model-send"),
    path("models/<uuid:model>/view.glb", models.view, name="model-view"),
    path("models/<uuid:model>/picture.png", models.picture, name="model-picture"),
    path("models/<uuid:model>/file/", models.download, name="model-file"),
    path("appliance/<str:code>/prepare/", models.prepare, name="prepare"),
]
