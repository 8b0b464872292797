"""Addresses of the office room: machines, stock, review, settings."""

from django.urls import path

from production.views.office import accuracy, machines, review, settings, stock

urlpatterns = [
    path("machines/", machines.machines, name="machines"),
    path("machines/<uuid:key>/", machines.machine, name="machine"),
    path("machines/<uuid:key>/out/", machines.out, name="machine-out"),
    path("machines/<uuid:key>/back/", machines.back, name="machine-back"),
    path("machines/<uuid:key>/off/<int:pk>/", machines.off, name="machine-off"),
    path(
        "machines/<uuid:key>/maintenance/<int:pk>/",
        machines.maintenance,
        name="machine-maintenance",
    ),
    path("machines/check-body.stl", accuracy.body, name="check-body"),
    path("machines/<uuid:key>/accuracy/", accuracy.take, name="accuracy-take"),
    path("machines/<uuid:key>/<slug:what>.svg", accuracy.chart, name="machine-accuracy"),
    path("accuracy/<uuid:check>/", accuracy.accuracy, name="accuracy"),
    path("accuracy/<uuid:check>/state/", accuracy.accuracy_state, name="accuracy-state"),
    path("accuracy/<uuid:check>/picture.png", accuracy.picture, name="accuracy-picture"),
    path("stock/", stock.stock, name="stock"),
    path("stock/new/", stock.lot_new, name="lot-new"),
    path("stock/lot/<int:pk>/", stock.lot, name="lot"),
    path("stock/lot/<int:pk>/list.csv", stock.lot_csv, name="lot-csv"),
    path("stock/lot/<int:pk>/list.pdf", stock.lot_pdf, name="lot-pdf"),
    path("stock/lot/<int:pk>/close/", stock.lot_close, name="lot-close"),
    path("stock/lot/<int:pk>/reopen/", stock.lot_reopen, name="lot-reopen"),
    path("stock/lot/<int:pk>/withdraw/", stock.lot_withdraw, name="lot-withdraw"),
    path("stock/lot/<int:pk>/reinstate/", stock.lot_reinstate, name="lot-reinstate"),
    path("review/", review.review, name="review"),
    path("review/table.csv", review.table, name="review-table"),
    path("review/figures.csv", review.numbers, name="review-numbers"),
    path("review/review.pdf", review.paper, name="review-paper"),
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
