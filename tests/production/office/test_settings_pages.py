"""The manager's settings: every list and form works, and what was recorded stays."""

from __future__ import annotations

import pytest
from django.urls import reverse

from clinic.models import AuditEntry, User
from production.models import ApplianceKind, InstructionCard, Machine, Material, Stage
from production.views.office.settings import SECTIONS


@pytest.mark.parametrize("slug", SECTIONS)
def test_every_section_lists_and_offers_a_form(office, signed_in, slug):
    manager = signed_in("manager")
    assert manager.get(reverse("settings-section", args=[slug])).status_code == 200
    assert manager.get(reverse("settings-new", args=[slug])).status_code == 200
    first = SECTIONS[slug].model._default_manager.first()
    if first is not None:
        assert manager.get(reverse("settings-edit", args=[slug, first.pk])).status_code == 200


def test_only_the_manager_edits(office, signed_in):
    for role in ("front_desk", "technician", "doctor"):
        assert signed_in(role).get(reverse("settings-section", args=["people"])).status_code == 403


def test_a_printer_is_added_with_its_minutes_per_layer_height(office, signed_in):
    data = {
        "name": "North printer", "code": "PR-N", "kind": "printer", "capacity": "8",
        "plate_width_mm": "192", "plate_depth_mm": "120", "layer_mm": "0.1",
        "minutes_per_mm": "0.10: 2,4\n0.05: 4.1", "start_minutes": "3", "state": "ready",
    }  # fmt: skip
    signed_in("manager").post(reverse("settings-new", args=["machines"]), data)
    machine = Machine.objects.get(code="PR-N")
    assert machine.minutes_per_mm == {"0.1": 2.4, "0.05": 4.1}
    assert machine.print_minutes(20.0) == pytest.approx(51.0)


def test_a_line_that_cannot_be_read_is_named(office, signed_in):
    data = {"name": "X", "code": "X", "kind": "cure", "capacity": "1", "layer_mm": "0.1",
            "minutes_per_mm": "thin: fast", "start_minutes": "0", "state": "ready"}  # fmt: skip
    answer = signed_in("manager").post(reverse("settings-new", args=["machines"]), data)
    assert answer.status_code == 422
    assert "thin: fast" in answer.content.decode()
    assert not Machine.objects.exists()


def test_a_route_is_edited_with_its_kind(office, signed_in):
    kind = ApplianceKind.objects.get(code="retainer")
    lines = list(kind.route.all())
    data = {
        "name": kind.name, "code": kind.code, "active": "on",
        "route-TOTAL_FORMS": str(len(lines)), "route-INITIAL_FORMS": str(len(lines)),
    }  # fmt: skip
    for i, line in enumerate(lines):
        data |= {
            f"route-{i}-id": str(line.pk), f"route-{i}-kind": str(kind.pk),
            f"route-{i}-position": str(line.position), f"route-{i}-stage": str(line.stage_id),
            f"route-{i}-minutes": "21" if line.stage.code == "cure" else str(line.minutes),
            f"route-{i}-spread": str(line.spread),
        }  # fmt: skip
    signed_in("manager").post(reverse("settings-edit", args=["kinds", kind.pk]), data)
    assert kind.route.get(stage__code="cure").minutes == 21


def test_each_box_of_a_route_says_what_it_does_and_to_which_stage(office, signed_in):
    kind = ApplianceKind.objects.get(code="retainer")
    page = signed_in("manager").get(reverse("settings-edit", args=["kinds", kind.pk]))
    html = page.content.decode()
    for line in kind.route.select_related("stage"):
        assert f"May be skipped: {line.stage}</span>" in html
        assert f"Remove: {line.stage}</span>" in html
    assert 'data-head="Delete"' not in html
    assert 'data-head="Optional"' not in html


def test_editing_a_card_makes_a_version_and_keeps_the_old_wording(office, signed_in):
    stage = Stage.objects.get(code="wash")
    before = InstructionCard.objects.get(stage=stage)
    data = {
        "lines-TOTAL_FORMS": "2", "lines-INITIAL_FORMS": "1",
        "lines-0-text": before.items[0]["text"], "lines-0-required": "on",
        "lines-1-text": "Second bath fresh", "caution": "Keep the lid closed.",
    }  # fmt: skip
    signed_in("doctor").post(reverse("settings-card", args=["wash"]), data)
    latest = stage.cards.order_by("-version").first()
    assert latest.version == before.version + 1
    assert [i["text"] for i in latest.items] == [before.items[0]["text"], "Second bath fresh"]
    assert latest.items[0]["id"] == before.items[0]["id"]
    before.refresh_from_db()
    assert len(before.items) == 3


def test_what_is_on_record_is_not_removed(office, signed_in):
    stage = Stage.objects.get(code="wash")
    signed_in("manager").post(reverse("settings-remove", args=["stages", stage.pk]))
    assert Stage.objects.filter(pk=stage.pk).exists()


def person_data(user, **changes):
    return {
        "username": user.username, "first_name": user.first_name, "last_name": user.last_name,
        "role": user.role, "is_active": "on", "password": "",
    } | changes  # fmt: skip


def test_a_new_password_of_ones_own_does_not_sign_one_out(office, signed_in):
    client = signed_in("manager")
    me = User.objects.get(role="manager")
    page = reverse("settings-edit", args=["people", me.pk])
    client.post(page, person_data(me, password="three plain words of mine"))
    assert client.get(reverse("settings")).status_code == 200


@pytest.mark.parametrize("changes", [{"role": "doctor"}, {"is_active": ""}])
def test_the_last_manager_stays(office, signed_in, person, changes):
    client = signed_in("manager")
    me = User.objects.get(role="manager")
    page = reverse("settings-edit", args=["people", me.pk])
    answer = client.post(page, person_data(me, **changes))
    assert answer.status_code == 422
    assert "Nobody else is a manager" in answer.content.decode()
    me.refresh_from_db()
    assert (me.role, me.is_active) == ("manager", True)
    User.objects.create(username="second", role="manager")
    assert client.post(page, person_data(me, **changes)).status_code == 302


def test_a_new_office_is_told_what_is_missing_until_it_is_there(office, signed_in, person):
    client = signed_in("manager")
    assert "See what is still missing" in client.get(reverse("today")).content.decode()
    told = [words for words, _ in client.get(reverse("settings")).context["missing"]]
    assert "A doctor: every order names who prescribed it" in told
    assert {"A printer", "A wash unit", "Material: sheet"} <= set(told)
    person("doctor")
    Machine.objects.create(code="P1", name="Printer", kind="printer")
    Material.objects.create(kind="sheet", name="Sheet 1.0")
    told = [words for words, _ in client.get(reverse("settings")).context["missing"]]
    assert not {"A printer", "Material: sheet"} & set(told)
    assert not any(words.startswith("A doctor") for words in told)
    assert "A lot in stock: sheet" in told
    assert "See what is still missing" not in client.get(reverse("today")).content.decode()
    assert signed_in("doctor").get(reverse("settings")).context["missing"] == []


def test_a_maintenance_task_is_set_and_told_where_the_machine_is_shown(office, signed_in):
    client = signed_in("manager")
    machine = Machine.objects.create(code="P1", name="Printer", kind="printer")
    page = reverse("settings-new", args=["maintenance"])
    task = {"machine": machine.pk, "name": "Glass cleaned", "active": "on"}
    assert client.post(page, task).status_code == 422  # when is it due?
    assert client.post(page, task | {"every_days": "7", "every_loads": "1"}).status_code == 302
    listed = client.get(reverse("settings-section", args=["maintenance"])).content.decode()
    assert "every 7 days or every load" in listed
    shown = client.get(reverse("machine", args=[machine.uuid])).content.decode()
    assert "Glass cleaned" in shown


def test_a_code_that_the_house_goes_by_stays(office, signed_in):
    stage = Stage.objects.get(code="scan")
    data = {"name": "Scan the mouth", "code": "mouth", "position": "0", "attended": "on"}
    signed_in("manager").post(reverse("settings-edit", args=["stages", stage.pk]), data)
    stage.refresh_from_db()
    assert (stage.name, stage.code) == ("Scan the mouth", "scan")


def test_a_machine_is_of_some_kind(office, signed_in):
    data = {"name": "X", "code": "X", "kind": "", "capacity": "1", "layer_mm": "0.1",
            "minutes_per_mm": "", "start_minutes": "0", "state": "ready"}  # fmt: skip
    answer = signed_in("manager").post(reverse("settings-new", args=["machines"]), data)
    assert "Choose what kind of machine it is." in answer.content.decode()


def test_a_code_is_refused_in_plain_words(office, signed_in):
    new = reverse("settings-new", args=["stages"])
    client = signed_in("manager")
    odd = client.post(new, {"name": "A", "code": "a b", "position": "1"}).content.decode()
    assert "Use letters, digits and dashes only." in odd
    taken = client.post(new, {"name": "A", "code": "print", "position": "1"}).content.decode()
    assert "This code is taken." in taken


def test_a_retired_machine_is_not_shown_as_in_service(office, signed_in):
    machine = Machine.objects.create(code="P0", name="Old", kind="printer", state="retired")
    shown = signed_in("technician").get(reverse("machine", args=[machine.uuid])).content.decode()
    assert "Retired: nothing is planned on it." in shown
    assert "In service." not in shown


def test_shares_are_typed_in_percent_and_only_what_changed_is_recorded(office, signed_in):
    manager, page = signed_in("manager"), reverse("settings-office")
    form = manager.get(page).context["form"]
    data = {name: form[name].value() for name in form.fields}
    assert (data["confidence"], data["risk_limit"]) == (95.0, 10.0)
    data = {k: v for k, v in data.items() if v is not None and v is not False}
    assert manager.post(page, data | {"confidence": "0.95"}).status_code == 422
    assert manager.post(page, data | {"risk_limit": "12.5"}).status_code == 302
    office.refresh_from_db()
    assert (office.confidence, office.risk_limit) == (0.95, 0.125)
    assert "risk_limit" in str(AuditEntry.objects.latest("pk").detail)
    assert "confidence" not in str(AuditEntry.objects.latest("pk").detail)


def test_a_time_that_is_missing_is_asked_for(office, signed_in):
    page = reverse("settings-new", args=["hours"])
    reply = signed_in("manager").post(page, {"weekday": "1", "opens": "8 o", "closes": ""})
    assert reply.status_code == 422
    assert "Enter a valid time" in reply.content.decode()
