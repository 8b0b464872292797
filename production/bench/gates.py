"""What must be true before work on an appliance may start, finish, or be handed over.

Each function returns the reasons against it, in words; an empty list lets it pass.
"""

from __future__ import annotations

import datetime as dt

from production.bench.fold import HANDOVER_STAGE, PREPARE_STAGE, SCAN_STAGE
from production.bench.stored import remeasure_faults
from production.models import Appliance, PreparedModel, Scan, Stage


def open_stop(scan: Scan) -> bool:
    """Whether a stopping finding of ``scan`` waits for a doctor's decision."""
    return scan.verdict == Scan.Verdict.RESCAN and scan.acceptance is None


def scan_faults(appliance: Appliance, after: dt.datetime | None) -> list[str]:
    """Why production may not build on the appliance's scan.

    ``after``: since a failure asked for a new scan, only one uploaded later counts
    (``Position.scan_after``). Aligner steps come with their model file and need no scan of
    their own.
    """
    if appliance.step_id:
        return []
    scan = appliance.scan
    if scan is None:
        return ["There is no scan yet: upload one on the patient's scan page."]
    if after is not None and scan.uploaded_at <= after:
        return ["A new scan was asked for after the last failure: upload it first."]
    if scan.status == Scan.Status.WAITING:
        return ["The scan is still being inspected; try again in a moment."]
    if scan.status != Scan.Status.INSPECTED:
        return ["The scan could not be inspected: upload it again or rescan."]
    if open_stop(scan):
        return ["The scan has a stopping finding: rescan, or ask the doctor to accept it."]
    return []


def model_faults(appliance: Appliance) -> list[str]:
    """Why there is no model to print."""
    model = appliance.model
    if model is None:
        return ["There is no print-ready model yet: prepare it on the model page."]
    if model.status == PreparedModel.Status.WAITING:
        return ["The model is still being made; try again in a moment."]
    if model.status != PreparedModel.Status.MADE:
        return ["The model could not be made: change its settings or rescan."]
    if appliance.scan_id and model.scan_id != appliance.scan_id:
        return ["The model was made from an older scan: prepare it from the present one."]
    return []


def approval_faults(appliance: Appliance) -> list[str]:
    """Why the model may not be printed before somebody has looked at it.

    The manager can lift this for an appliance kind.
    """
    model = appliance.model
    if model is None or model.status != PreparedModel.Status.MADE or model.approved_at:
        return []
    if not appliance.kind.approve_model:
        return []
    return ["Nobody has approved the model yet: look at it on the model page and approve it."]


def before_start(appliance: Appliance, stage: Stage, scan_after: dt.datetime | None) -> list[str]:
    """Why work at ``stage`` may not start."""
    if stage.code == HANDOVER_STAGE:
        return ["It is ready for its patient: hand it over."]
    if stage.code == SCAN_STAGE:
        return []
    faults = scan_faults(appliance, scan_after)
    if stage.code != PREPARE_STAGE:
        faults += model_faults(appliance)
    if stage.machine_kind == Stage.MachineKind.PRINTER:
        faults += approval_faults(appliance)
    return faults + remeasure_faults(appliance, stage)


def before_finish(appliance: Appliance, stage: Stage, scan_after: dt.datetime | None) -> list[str]:
    """Why work at ``stage`` is not finished yet."""
    if stage.code == SCAN_STAGE:
        return scan_faults(appliance, scan_after)
    if stage.code == PREPARE_STAGE:
        return (
            scan_faults(appliance, scan_after)
            + model_faults(appliance)
            + approval_faults(appliance)
        )
    return []


def before_delivery(appliance: Appliance) -> list[str]:
    """Why the appliance may not leave the room."""
    faults = []
    if appliance.scan is not None and open_stop(appliance.scan):
        faults.append(
            "The scan has a stopping finding that no doctor has accepted: ask the doctor first."
        )
    if appliance.scan is None and not appliance.step_id:
        faults.append("No scan is on record for it: link its scan first.")
    faults += model_faults(appliance)
    return faults
