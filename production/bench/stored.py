"""Printed models that are used again: measured before another sheet goes over them.

Printed resin goes on changing after printing (volume over 28 days: Lee et al., J Prosthet Dent,
doi 10.1016/j.prosdent.2023.10.027); no limit in days is published, so it is measured.
"""

from __future__ import annotations

from production.models import Appliance, Stage, StageEvent

TOLERANCE_MM = 0.25
"""How far a stored model may be off its file (common practice, no source)."""


def stored_print(appliance: Appliance) -> StageEvent | None:
    """Return the print of the stored model that ``appliance`` is formed over, if it is one.

    One made anew without a print of its own takes the model of the one it replaces.
    """
    if appliance.remake_of_id is None or _print_of(appliance) is not None:
        return None
    before = appliance.remake_of
    while before is not None:
        printed = _print_of(before)
        if printed is not None:
            return printed
        before = before.remake_of
    return None


def remeasure_faults(appliance: Appliance, stage: Stage) -> list[str]:
    """Why no sheet may be formed over the appliance's printed model yet."""
    if stage.machine_kind != Stage.MachineKind.FORMING or stored_print(appliance) is None:
        return []
    measured = appliance.remeasured
    if measured is None:
        return ["A stored model is used again: measure it on the appliance's page first."]
    if not measured["fits"]:
        return [
            f"The stored model is {measured['off_mm']:.2f} mm off its file: print it again, by "
            "recording a failure that asks for a new print."
        ]
    return []


def _print_of(appliance: Appliance) -> StageEvent | None:
    return (
        StageEvent.objects.filter(
            appliance=appliance,
            action=StageEvent.Action.FINISH,
            stage__machine_kind=Stage.MachineKind.PRINTER,
            undone_by=None,
        )
        .select_related("appliance")
        .order_by("-seq")
        .first()
    )
