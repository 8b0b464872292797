"""Addresses of the bench: what to do, loads, appliances, the hand-over."""

from django.urls import URLPattern, URLResolver, path

from production.views import (
    appliance,
    bench,
    bench_failures,
    bench_loads,
    bench_photos,
    bench_scan,
    handover,
    plates,
)

urlpatterns: list[URLPattern | URLResolver] = [
    path("bench/", bench.bench, name="bench"),
    path("bench/live/", bench.bench_live, name="bench-live"),
    path("bench/timers/", bench.timers, name="bench-timers"),
    path("bench/ends/", bench.ends, name="bench-ends"),
    path("bench/scan/", bench_scan.scan, name="bench-scan"),
    path("bench/undo/", bench.undo, name="bench-undo"),
    path("bench/codes/", bench.sheet, name="bench-codes"),
    path("bench/load/", bench_loads.load_new, name="load-new"),
    path("bench/tick/<str:context>/", appliance.tick, name="bench-tick"),
    path("load/<str:code>/", bench_loads.load, name="load"),
    path("load/<str:code>/live/", bench_loads.load_live, name="load-live"),
    path("load/<str:code>/do/", bench_loads.load_do, name="load-do"),
    path("load/<str:code>/plate/", plates.plate, name="plate"),
    path("load/<str:code>/plate/live/", plates.plate_live, name="plate-live"),
    path("load/<str:code>/plate/nest/", plates.nest, name="plate-nest"),
    path("load/<str:code>/plate/arrange/", plates.arrange, name="plate-arrange"),
    path("load/<str:code>/plate/picture.png", plates.picture, name="plate-picture"),
    path("load/<str:code>/plate/file/", plates.download, name="plate-file"),
    path("load/<str:code>/plate/send/", plates.send_plate, name="plate-send"),
    path("load/<str:code>/failed/", bench_failures.load_fail, name="load-fail"),
    path("appliance/<str:code>/", appliance.appliance, name="appliance"),
    path("appliance/<str:code>/live/", appliance.appliance_live, name="appliance-live"),
    path("appliance/<str:code>/do/", appliance.appliance_do, name="appliance-do"),
    path("appliance/<str:code>/failed/", bench_failures.fail, name="fail"),
    path("appliance/<str:code>/measured/", appliance.measured, name="measured"),
    path("appliance/<str:code>/again/", appliance.again, name="again"),
    path("appliance/<str:code>/trouble/", appliance.trouble, name="trouble"),
    path("appliance/<str:code>/handover/", handover.handover, name="handover"),
    path("photos/<int:pk>/", bench_photos.photo, name="photo"),
]
