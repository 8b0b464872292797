"""Stages kept for those who are trained for them: at the bench, in the plan, in the settings.

That work goes only to people who are competent for it is asked for by ISO 13485:2016, 6.2
(from memory); how an office shows it is common practice, no source.
"""

from __future__ import annotations

import datetime as dt

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.models import Absence, Role, User
from production.actions.bench.move import create_load, start, start_load
from production.actions.errors import Refused
from production.models import Appliance, StageEvent
from production.planning.solve.check.checker import violations
from production.scheduling import publish
from production.scheduling.state import digest, read_situation
from tests.production.bench.test_whole_way import walk


@pytest.fixture
def ada(bench) -> User:
    return User.objects.create(username="ada", first_name="Ada", role=Role.TECHNICIAN)


def at(bench, patient, stage: str) -> Appliance:
    row = bench.appliance(patient)
    walk(bench, row, until=stage)
    return row


class TestAtTheBench:
    def test_work_by_hand_is_begun_by_the_trained_and_by_those_who_answer_for_it(
        self, bench, patient, ada
    ):
        row = at(bench, patient, "trim")
        bench.stages["trim"].trained.add(ada)
        with pytest.raises(Refused, match="ask Ada"):
            start(bench.technician, row, key="one")
        assert not StageEvent.objects.filter(key="one").exists()
        start(ada, row, key="two")
        other = at(bench, patient, "trim")
        start(bench.doctor, other, key="three")
        assert other.status == Appliance.Status.RUNNING

    def test_a_load_is_filled_by_anybody_and_started_by_the_trained(self, bench, patient, ada):
        row = at(bench, patient, "wash")
        bench.stages["wash"].trained.add(ada)
        load = create_load(bench.technician, bench.stages["wash"], appliances=[row])
        with pytest.raises(Refused, match="Wash is kept for those who are trained"):
            start_load(bench.technician, load, machine=bench.machines["wash"], key="one")
        start_load(ada, load, machine=bench.machines["wash"], key="two")
        row.refresh_from_db()
        assert row.status == Appliance.Status.RUNNING

    def test_a_stage_whose_people_have_left_is_open_to_everyone(self, bench, patient, ada):
        row = at(bench, patient, "trim")
        bench.stages["trim"].trained.add(ada)
        User.objects.filter(pk=ada.pk).update(is_active=False)
        start(bench.technician, row, key="one")
        assert row.status == Appliance.Status.RUNNING

    def test_the_page_says_whom_to_ask_before_anything_is_pressed(
        self, bench, patient, ada, signed_in
    ):
        row = at(bench, patient, "trim")
        bench.stages["trim"].trained.add(ada)
        page = reverse("appliance", args=[row.code])
        told = signed_in("technician").get(page).content.decode()
        assert "ask Ada" in told
        assert 'type="submit" disabled' in told
        told = signed_in("doctor").get(page).content.decode()
        assert "For those trained for it: Ada" in told
        assert 'type="submit" disabled' not in told


    def test_the_bench_shows_whose_work_it_is(self, bench, patient, ada, signed_in):
        at(bench, patient, "trim")
        bench.stages["trim"].trained.add(ada)
        told = signed_in("technician").get("/bench/").content.decode()
        assert "Trim (for Ada)" in told
        assert '<p class="quiet small">for Ada</p>' in told


class TestInThePlan:
    def test_only_the_trained_are_given_the_work_by_hand_and_at_the_machine(
        self, bench, patient, ada
    ):
        for _ in range(3):
            walk(bench, bench.appliance(patient), until="form")
        before = digest()
        bench.stages["trim"].trained.add(bench.technician)
        bench.stages["form"].trained.add(ada)
        assert digest() != before
        away = timezone.now() + dt.timedelta(hours=3)
        Absence.objects.create(person=ada, ends_at=away)
        made = publish.make_plan()
        assert violations(made.situation.problem, made.plan) == []
        (route,) = {
            tuple(entry.stage.code for entry in made.situation.routes[a.kind_id])
            for a in made.situation.appliances.values()
        }
        begun = [
            made.situation.moment(s["start"])
            for s in made.plan["steps"]
            if route[s["index"]] == "form"
        ]
        trims = {s["resource"] for s in made.plan["steps"] if route[s["index"]] == "trim"}
        assert len(begun) == 3
        assert min(begun) >= away.replace(second=0, microsecond=0)
        assert trims == {f"p{bench.technician.pk}"}

    def test_what_an_untrained_hand_has_begun_stays_in_it(self, bench, patient, ada):
        row = at(bench, patient, "trim")
        start(bench.technician, row, key="one")
        bench.stages["trim"].trained.add(ada)
        made = publish.make_plan()
        assert violations(made.situation.problem, made.plan) == []
        (running,) = [s for s in made.plan["steps"] if s["start"] <= 0]
        assert running["resource"] == f"p{bench.technician.pk}"

    def test_without_anybody_named_the_plan_is_the_one_it_was(self, bench, patient, ada):
        bench.appliance(patient)
        problem = read_situation().problem
        assert all(r.get("skills", []) == [] for r in problem["resources"])
        assert all("alternatives" not in s for j in problem["jobs"] for s in j["steps"])


def test_the_manager_names_them_at_the_stage(bench, ada, signed_in):
    manager = signed_in("manager")
    stage = bench.stages["trim"]
    page = reverse("settings-edit", args=["stages", stage.pk])
    assert "Ada" in manager.get(page).content.decode()
    values = {
        "name": stage.name, "position": stage.position, "attended": "on", "load_name": "",
        "machine_kind": "", "needs_lot": "", "trained": [ada.pk],
    }  # fmt: skip
    assert manager.post(page, values).status_code == 302
    assert list(stage.trained.all()) == [ada]
    elsewhere = reverse("settings-edit", args=["stages", bench.stages["scan"].pk])
    assert "Ada" not in manager.get(elsewhere).content.decode()
    listed = manager.get(reverse("settings-section", args=["stages"])).content.decode()
    assert listed.count("everyone") == len(bench.stages) - 1
