"""A printed model that is used again is measured before another sheet goes over it."""

from __future__ import annotations

import pytest
from django.urls import reverse

from production.actions.bench.move import remake, start
from production.actions.bench.remeasuring import remeasure
from production.actions.errors import Refused
from production.models import Appliance, PreparedModel
from tests.production.bench.test_whole_way import walk

SIZE = [62.4, 51.0, 20.0]


@pytest.fixture
def printed(bench, patient) -> Appliance:
    """An appliance that was made, on a model printed for it."""
    row = bench.appliance(patient)
    walk(bench, row)
    PreparedModel.objects.update(report={"size_mm": SIZE})
    return row


def again(bench, row: Appliance, stage: str) -> Appliance:
    return remake(
        bench.technician, row, cause=bench.cause("lost"), restart=bench.stages[stage], key="again"
    )


def form(bench, row: Appliance):
    return start(
        bench.technician,
        row,
        machine=bench.machines["forming"],
        lots=[bench.lots["sheet"]],
        key=f"{row.code}-form",
    )


def test_forming_over_a_stored_model_waits_for_its_measures(bench, printed):
    new = again(bench, printed, "form")
    with pytest.raises(Refused, match="measure it"):
        form(bench, new)
    remeasure(bench.technician, new, 62.5, 50.8)
    assert new.remeasured["fits"]
    assert form(bench, new).action == "start"


def test_a_model_that_has_changed_is_not_formed_over(bench, printed):
    new = again(bench, printed, "form")
    remeasure(bench.technician, new, 62.0, 51.0)
    assert new.remeasured["off_mm"] == pytest.approx(0.4)
    with pytest.raises(Refused, match=r"0\.40 mm off its file: print it again"):
        form(bench, new)


def test_a_remake_of_a_remake_still_knows_whose_print_it_is(bench, printed):
    new = again(bench, printed, "form")
    remeasure(bench.technician, new, *SIZE[:2])
    walk(bench, new)
    second = remake(
        bench.technician,
        new,
        cause=bench.cause("lost"),
        restart=bench.stages["form"],
        key="once more",
    )
    with pytest.raises(Refused, match="measure it"):
        form(bench, second)


@pytest.mark.parametrize("sizes", [(0.0, 51.0), (float("nan"), 51.0), (62.4, 5100.0)])
def test_lengths_no_model_has_are_refused(bench, printed, sizes):
    new = again(bench, printed, "form")
    with pytest.raises(Refused, match="measure again"):
        remeasure(bench.technician, new, *sizes)


def test_a_model_of_its_own_is_not_measured(bench, printed):
    with pytest.raises(Refused, match="not made on a stored model"):
        remeasure(bench.technician, printed, *SIZE[:2])


def test_the_page_asks_and_records(bench, printed, signed_in):
    new = again(bench, printed, "form")
    client = signed_in("technician")
    page = client.get(reverse("appliance", args=[new.code])).content.decode()
    assert "A stored model is used again" in page
    assert "62.4 mm wide" in page
    client.post(reverse("measured", args=[new.code]), {"width": "62,3", "depth": "51.1"})
    page = client.get(reverse("appliance", args=[new.code])).content.decode()
    assert "Stored model measured" in page
    new.refresh_from_db()
    assert new.remeasured["off_mm"] == pytest.approx(0.1)
