"""Every move of an appliance or a load, in one place to import from."""

from production.actions.cancelling import cancel, cancel_order
from production.actions.delivering import HandedOver, deliver
from production.actions.failing import fail, fail_in_load
from production.actions.finishing import finish, finish_load
from production.actions.holding import hold, release
from production.actions.loading import (
    add_to_load,
    cancel_load,
    create_load,
    remove_from_load,
    start_load,
)
from production.actions.remaking import remake
from production.actions.reporting import report_trouble
from production.actions.scanning import attach_model, attach_scan, scan_became_usable
from production.actions.skipping import skip
from production.actions.starting import start
from production.actions.undoing import undo, undo_load

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
