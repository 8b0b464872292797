"""One appliance from the scan to the patient through the actions alone."""

from __future__ import annotations

import datetime as dt

from django.utils import timezone

from production.actions import agree_promise
from production.actions.bench.move import deliver, finish, start
from production.bench.history import disagreements
from production.models import Appliance, LotUse, Work

LOT = {"print": "resin", "block-out": "block_out", "form": "sheet", "finish": "disinfectant"}
MACHINE = {"print": "printer", "wash": "wash", "cure": "cure", "form": "forming"}


def walk(bench, appliance, until="delivery"):
    """Start and finish every stage up to ``until``."""
    while appliance.stage.code != until:
        code = appliance.stage.code
        start(
            bench.technician,
            appliance,
            machine=bench.machines.get(MACHINE.get(code)),
            lots=[bench.lots[LOT[code]]] if code in LOT else [],
            seen=appliance.seq,
            key=f"{appliance.code}-{appliance.seq}-s",
        )
        finish(
            bench.technician,
            appliance,
            ticks=bench.ticks(code),
            seen=appliance.seq,
            key=f"{appliance.code}-{appliance.seq}-f",
        )


def test_from_scan_to_patient_every_link_is_on_record(bench, patient):
    order = bench.order(patient, ("upper", "lower"))
    promise = agree_promise(
        bench.desk, order, timezone.now() + dt.timedelta(hours=5), p_kept=0.97, key="p1"
    )
    upper, lower = order.appliances.order_by("-arch")
    walk(bench, upper)
    promise.refresh_from_db()
    assert upper.status == Appliance.Status.READY
    assert promise.kept is None  # the lower one is still on its way
    walk(bench, lower)
    promise.refresh_from_db()
    assert promise.kept is True
    for appliance in (upper, lower):
        done = deliver(
            bench.desk,
            appliance,
            code_on_bag=appliance.code,
            identity_checked=True,
            try_in="seats",
            key=f"{appliance.code}-d",
        )
        assert done.remake is None
        assert appliance.status == Appliance.Status.DELIVERED
        kinds = set(
            LotUse.objects.filter(appliance=appliance).values_list("lot__material__kind", flat=True)
        )
        assert kinds == {"resin", "block_out", "sheet", "disinfectant"}
        machines = set(
            appliance.events.exclude(machine=None).values_list("machine__kind", flat=True)
        )
        assert machines == {"printer", "wash", "cure", "forming"}
    promise.refresh_from_db()
    assert promise.handed_over_at is not None
    assert list(disagreements()) == []
    assert Work.objects.filter(kind="plan", status="pending").count() == 1
