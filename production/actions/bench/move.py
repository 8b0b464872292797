"""Every move of an appliance or a load, in one place to import from."""

from production.actions.bench.delivering import HandedOver, deliver
from production.actions.bench.failing import fail, fail_in_load
from production.actions.bench.finishing import finish, finish_load
from production.actions.bench.holding import hold, release
from production.actions.bench.loading import (
    add_to_load,
    cancel_load,
    create_load,
    remove_from_load,
    start_load,
)
from production.actions.bench.remaking import remake
from production.actions.bench.reporting import report_trouble
from production.actions.bench.skipping import skip
from production.actions.bench.starting import start
from production.actions.bench.undoing import undo, undo_load
from production.actions.chair.scanning import attach_model, attach_scan, scan_became_usable
from production.actions.desk.cancelling import cancel, cancel_order

__all__ = [
    "HandedOver",
    "add_to_load",
    "attach_model",
    "attach_scan",
    "cancel",
    "cancel_load",
    "cancel_order",
    "create_load",
    "deliver",
    "fail",
    "fail_in_load",
    "finish",
    "finish_load",
    "hold",
    "release",
    "remake",
    "remove_from_load",
    "report_trouble",
    "scan_became_usable",
    "skip",
    "start",
    "start_load",
    "undo",
    "undo_load",
]
