"""The built history: whole, folding to its cached state, with today's work in the middle of it."""

from __future__ import annotations

from django.db import connection
from django.db.models import F

from production.bench.history import disagreements
from production.demo.office import furnish
from production.demo.years import write_years
from production.models import Appliance, LotUse, Promise, StageEvent


def test_a_history_folds_to_its_cached_state_and_leads_both_ways(office):
    furnish()
    made = write_years(0.1, 400, lambda _: None)
    assert Appliance.objects.count() == made >= 380
    assert list(disagreements()) == []
    connection.check_constraints()
    delivered = Appliance.objects.filter(status="delivered")
    assert delivered.exclude(lot_uses=None).distinct().count() == delivered.count()
    # Every remake stands in for one that says so.
    again = Appliance.objects.exclude(remake_of=None)
    assert not again.exclude(remake_of__status="remade").exists()
    kept = Promise.objects.filter(kept=True)
    assert not kept.filter(ready_at__gt=F("due_at")).exists()
    # New rows get numbers after the built ones.
    event = StageEvent.objects.order_by("-pk").first()
    use = LotUse.objects.select_related("lot").first()
    copy = LotUse.objects.create(event=event, appliance=event.appliance, lot=use.lot)
    assert copy.pk > use.pk
