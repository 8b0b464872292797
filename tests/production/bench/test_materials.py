"""Lots, allergies and programs: the wrong material is stopped."""

from __future__ import annotations

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.models import Patient
from production.actions.bench.move import (
    create_load,
    finish,
    start,
    start_load,
)
from production.actions.errors import (
    LotNeeded,
    Refused,
    WrongMaterial,
)
from production.bench.fit import allergy_hits, check
from production.bench.lookup import look_up
from production.models import (
    Load,
    Lot,
    Machine,
    Material,
    Program,
)
from tests.production.bench.test_whole_way import walk


class TestMaterials:
    @pytest.fixture
    def forming(self, bench, patient):
        """An appliance ordered in the clear sheet, waiting to be formed."""
        order = bench.order(patient, sheet=bench.lots["sheet"].material)
        appliance = order.appliances.get()
        walk(bench, appliance, until="form")
        return appliance

    def attempt(self, bench, appliance, lot, machine="forming"):
        start(bench.technician, appliance, machine=bench.machines[machine], lots=[lot], key="try")

    def test_another_sheet_than_ordered_is_stopped(self, bench, forming):
        soft = Material.objects.create(kind="sheet", name="Soft 3.0")
        lot = Lot.objects.create(material=soft, number="1")
        with pytest.raises(WrongMaterial, match=r"was ordered in Clear sheet 1\.0"):
            self.attempt(bench, forming, lot)
        forming.refresh_from_db()
        assert forming.status == "waiting"
        assert not Load.objects.filter(status="running").exists()

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"expires_on": dt.date(2020, 1, 31)}, "expired on 31 Jan 2020"),
            ({"withdrawn": True}, "withdrawn"),
            ({"closed_at": timezone.now()}, "used up"),
        ],
    )
    def test_a_lot_that_must_not_be_used_is_stopped(self, bench, forming, change, words):
        Lot.objects.filter(pk=bench.lots["sheet"].pk).update(**change)
        with pytest.raises(WrongMaterial, match=words):
            self.attempt(bench, forming, Lot.objects.get(pk=bench.lots["sheet"].pk))

    def test_the_use_by_day_itself_is_good(self, bench, forming, office):
        Lot.objects.filter(pk=bench.lots["sheet"].pk).update(expires_on=office.today())
        self.attempt(bench, forming, Lot.objects.get(pk=bench.lots["sheet"].pk))

    def test_an_allergy_on_record_is_stopped(self, bench, forming, patient):
        patient.allergies = "Contact allergy to acrylate (patch test 2024)"
        patient.save()
        Material.objects.filter(pk=bench.lots["sheet"].material_id).update(
            allergens="urethane dimethacrylate"
        )
        with pytest.raises(WrongMaterial, match="allergy to dimethacrylate"):
            self.attempt(bench, forming, Lot.objects.get(pk=bench.lots["sheet"].pk))

    @pytest.mark.parametrize(
        ("record", "allergens", "hits"),
        [
            ("Nickel", "nickel, chromium", ["nickel"]),
            ("LATEX!", "natural rubber latex", ["latex"]),
            ("acrylates", "acrylate", ["acrylate"]),
            ("none known", "acrylate", []),
            ("", "acrylate", []),
            ("penicillin", "acrylate", []),
            ("peanut", "", []),
            ("acrylic, since 2019", "urethane dimethacrylate", ["dimethacrylate"]),
            ("HEMA", "methacrylates", ["methacrylates"]),
            ("acrylates", "PMMA", ["pmma"]),
        ],
    )
    def test_allergies_are_compared_by_their_words(self, record, allergens, hits):
        assert allergy_hits(record, allergens) == hits

    def test_an_allergy_that_meets_no_word_is_still_said(self, bench, forming, patient):
        patient.allergies = "Nickel"
        patient.save()
        Material.objects.filter(pk=bench.lots["sheet"].material_id).update(allergens="urethane")
        lot = Lot.objects.get(pk=bench.lots["sheet"].pk)
        found = check(lot, [forming], bench.stages["form"], None, dt.date(2026, 1, 1))
        assert not found.stops
        assert "(Nickel)" in found.cautions[0]
        assert "lists urethane" in found.cautions[0]

    def test_a_stage_that_takes_no_material_takes_none(self, bench, patient):
        appliance = bench.appliance(patient)
        walk(bench, appliance, until="wash")
        with pytest.raises(WrongMaterial, match="Wash takes no model resin"):
            self.attempt(bench, appliance, bench.lots["resin"], machine="wash")

    @pytest.mark.parametrize(("kept", "said"), [(None, "no date"), ("2099-01-31", "31 Jan 2099")])
    def test_a_label_with_another_date_than_the_stock_is_stopped(self, bench, kept, said):
        lot = bench.lots["sheet"]
        Material.objects.filter(pk=lot.material_id).update(gtin="09521234543213")
        Lot.objects.filter(pk=lot.pk).update(expires_on=kept)
        code = f"(01)09521234543213(17)200131(10){lot.number}"
        found = look_up(code, dt.date(2026, 1, 1))
        assert "label says use by 31 Jan 2020" in found.words
        assert said in found.words

    def test_the_lot_is_asked_for(self, bench, forming):
        with pytest.raises(LotNeeded) as asked:
            start(bench.technician, forming, machine=bench.machines["forming"], key="s")
        assert asked.value.kind == "sheet"

    def test_a_program_bound_to_other_machines_stops_this_one(self, bench, forming):
        other = Machine.objects.create(code="M-F2", name="Second former", kind="forming")
        Program.objects.get(stage=bench.stages["form"]).machines.add(other)
        with pytest.raises(WrongMaterial, match="allowed on Forming machine"):
            self.attempt(bench, forming, bench.lots["sheet"])

    def test_two_programs_are_a_choice(self, bench, forming):
        second = Program.objects.create(
            stage=bench.stages["form"],
            material=bench.lots["sheet"].material,
            name="Gentle",
            minutes=6,
        )
        with pytest.raises(Refused, match="Choose the program"):
            self.attempt(bench, forming, bench.lots["sheet"])
        start(
            bench.technician,
            forming,
            machine=bench.machines["forming"],
            lots=[bench.lots["sheet"]],
            program=second,
            key="s",
        )
        load = Load.objects.get(status="running")
        assert load.program == second
        assert load.expected_end - load.started_at == dt.timedelta(minutes=6)

    def test_one_tray_holds_one_resin(self, bench, patient):
        a, b = bench.order(patient, ("upper", "lower")).appliances.all()
        walk(bench, a, until="cure")
        other = Material.objects.create(kind="resin", name="Other resin", unit="ml")
        first, bench.lots["resin"] = (
            bench.lots["resin"],
            Lot.objects.create(material=other, number="9"),
        )
        walk(bench, b, until="cure")
        bench.lots["resin"] = first
        load = create_load(bench.technician, bench.stages["cure"], appliances=[a, b])
        with pytest.raises(WrongMaterial, match="different resins"):
            start_load(bench.technician, load, machine=bench.machines["cure"], key="c")


def test_a_plate_with_an_allergic_patient_says_how_to_go_on(bench, client, patient):
    Material.objects.filter(kind="resin").update(allergens="methacrylate")
    patient.allergies = "methacrylate"
    patient.save()
    other = Patient.objects.create(
        chart_number="C-2", given_name="Noor", family_name="Osei", date_of_birth="2010-02-03"
    )
    rows = [bench.appliance(patient), bench.appliance(other)]
    for row in rows:
        finish(bench.technician, row, ticks=bench.ticks("prepare"), start_unknown=True, key=row.code)
    load = create_load(bench.technician, bench.stages["print"], appliances=rows)
    client.force_login(bench.technician)
    page = " ".join(client.get(reverse("load", args=[load.code])).content.decode().split())
    assert f"none of these may be used for {rows[0].code}. Take it out above" in page
    assert "Take in another lot" not in page
    client.post(
        reverse("load-do", args=[load.code]), {"action": "remove", "code": rows[0].code, "key": "k"}
    )
    page = client.get(reverse("load", args=[load.code])).content.decode()
    assert "none of these may be used" not in page
