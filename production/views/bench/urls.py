"""Addresses of the bench: what to do, loads, appliances, the hand-over."""

from django.urls import URLPattern, URLResolver, path

from production.views.bench import appliance, board, failures, handover, loads, photos, plates, scan

urlpatterns: list[URLPattern | URLResolver] = [
    path("bench/", board.bench, name="bench"),
    path("bench/live/", board.bench_live, name="bench-live"),
    path("bench/timers/", board.timers, name="bench-timers"),
    path("bench/ends/", board.ends, name="bench-ends"),
    path("bench/scan/", scan.scan, name="bench-scan"),
    path("bench/undo/", board.undo, name="bench-undo"),
    path("bench/codes/", board.sheet, name="bench-codes"),
    path("bench/load/", loads.load_new, name="load-new"),
    path("bench/tick/<str:context>/", appliance.tick, name="bench-tick"),
    path("load/<str:code>/", loads.load, name="load"),
    path("load/<str:code>/live/", loads.load_live, name="load-live"),
    path("load/<str:code>/do/", loads.load_do, name="load-do"),
    path("load/<str:code>/plate/", plates.plate, name="plate"),
    path("load/<str:code>/plate/live/", plates.plate_live, name="plate-live"),
    path("load/<str:code>/plate/nest/", plates.nest, name="plate-nest"),
    path("load/<str:code>/plate/arrange/", plates.arrange, name="plate-arrange"),
    path("load/<str:code>/plate/picture.png", plates.picture, name="plate-picture"),
    path("load/<str:code>/plate/file/", plates.download, name="plate-file"),
    path("load/<str:code>/plate/send/", plates.send_plate, name="plate-send"),
    path("load/<str:code>/failed/", failures.load_fail, name="load-fail"),
    path("appliance/<str:code>/", appliance.appliance, name="appliance"),
    path("appliance/<str:code>/live/", appliance.appliance_live, name="appliance-live"),
    path("appliance/<str:code>/do/", appliance.appliance_do, name="appliance-do"),
    path("appliance/<str:code>/failed/", failures.fail, name="fail"),
    path("appliance/<str:code>/measured/", appliance.measured, name="measured"),
    path("appliance/<str:code>/again/", appliance.again, name="again"),
    path("appliance/<str:code>/trouble/", appliance.trouble, name="trouble"),
    path("appliance/<str:code>/handover/", handover.handover, name="handover"),
    path("photos/<int:pk>/", photos.photo, name="photo"),
]
