"""A prescription that changes while the appliance is made: kept, told at the bench, refused late."""

from __future__ import annotations

import pytest
from django.urls import reverse

from production.actions import open_order
from production.actions.bench.move import cancel_order
from production.actions.desk.prescribing import change_prescription
from production.actions.errors import Refused
from production.models import FormerPrescription, Lot, Material
from tests.production.bench.test_whole_way import walk


@pytest.fixture
def order(bench, patient):
    return open_order(
        bench.doctor, patient, bench.kind, ["upper"], key="one",
        characteristics="scalloped", prescriber=bench.doctor,
    )  # fmt: skip


def change(user, order, **other):
    values = {
        "sheet": order.sheet, "characteristics": order.characteristics,
        "prescriber": order.prescriber, "reason": "the doctor said so", "seen": 0,
    }  # fmt: skip
    return change_prescription(user, order, **values | other)


def test_what_was_asked_for_before_stays_on_record(bench, order):
    assert change(bench.desk, order, characteristics="straight, 27 left free")
    (old,) = FormerPrescription.objects.all()
    assert (old.characteristics, old.changed_by, old.reason) == (
        "scalloped", bench.desk, "the doctor said so",
    )  # fmt: skip
    order.refresh_from_db()
    assert order.characteristics == "straight, 27 left free"


def test_the_same_again_changes_nothing(bench, order):
    assert not change(bench.desk, order)
    assert not FormerPrescription.objects.exists()


def test_what_somebody_else_changed_meanwhile_is_not_overwritten(bench, order):
    change(bench.desk, order, characteristics="straight")
    with pytest.raises(Refused, match="meanwhile"):
        change(bench.doctor, order, characteristics="with a pontic")
    order.refresh_from_db()
    assert order.characteristics == "straight"


def test_of_what_is_cancelled_nothing_changes(bench, order):
    cancel_order(bench.desk, order, note="moved away", key="c")
    with pytest.raises(Refused, match="Make it again"):
        change(bench.desk, order, characteristics="straight")


class TestAnotherSheet:
    @pytest.fixture
    def thick(self, bench):
        return Material.objects.create(kind="sheet", name="Clear sheet 1.5", unit="piece")

    def piece(self, bench, patient, until):
        row = bench.appliance(patient)
        walk(bench, row, until=until)
        return row

    def test_before_the_forming_it_is_asked_for_at_the_start(self, bench, patient, thick):
        row = self.piece(bench, patient, "form")
        assert change(bench.desk, row.order, sheet=thick)
        assert row.order.sheet == thick

    def test_after_the_forming_it_is_refused_with_what_to_do(self, bench, patient, thick):
        row = self.piece(bench, patient, "trim")
        with pytest.raises(Refused, match=f"{row.code} in Clear sheet 1.0.*Record a failure"):
            change(bench.desk, row.order, sheet=thick)
        row.order.refresh_from_db()
        assert row.order.sheet is None
        used = Lot.objects.get(material__name="Clear sheet 1.0").material
        assert change(bench.desk, row.order, sheet=used)


def test_page_bench_and_papers_tell_it(bench, patient, signed_in):
    row = bench.appliance(patient)
    walk(bench, row, until="trim")
    page = reverse("appliance", args=[row.code])
    technician = signed_in("technician")
    seen = technician.get(page).context["version"]
    live = reverse("appliance-live", args=[row.code]) + f"?seen={seen}"
    assert technician.get(live).status_code == 204
    desk = signed_in("front_desk")
    form = reverse("prescription", args=[row.order.uuid])
    values = {"characteristics": "37 left free", "prescriber": bench.doctor.pk, "seen": "0"}
    refused = desk.post(form, values)
    assert refused.status_code == 422
    assert "Write why it changes" in refused.content.decode()
    assert desk.post(form, values | {"reason": "swollen gum"}).status_code == 302
    assert technician.get(live).status_code == 200
    told = technician.get(page).content.decode()
    assert "37 left free" in told
    assert "swollen gum" in told
    assert "Change the prescription" not in told
    assert "Changed 1 time" in desk.get(reverse("order", args=[row.order.uuid])).content.decode()
    assert technician.get(form).status_code == 403
