"""The bench in a real browser: a wedge that types, other hands, timers, accessibility."""

from __future__ import annotations

import os
import time
from types import SimpleNamespace

import pytest
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore

from clinic.models import OpeningHours
from production import storage
from production.actions.bench.move import create_load, hold, start, start_load
from production.models import Appliance, Plate, Wish
from production.plating import TooNear
from production.scheduling import publish
from tests.browser.test_access_and_axe import violations
from tests.production.bench.conftest import Bench
from tests.production.bench.test_whole_way import walk

# The browser driver keeps an event loop in this thread; the database is used beside it.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

KEY_SECONDS = 0.012  # between two characters of a keyboard-wedge scanner


@pytest.fixture
def bench(transactional_db, office, person) -> Bench:
    return Bench(person)


@pytest.fixture
def tablet(browser, live_server, bench):
    """The wall tablet, the technician signed in."""
    user = bench.technician
    session = SessionStore()
    session[SESSION_KEY] = str(user.pk)
    session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
    session[HASH_SESSION_KEY] = user.get_session_auth_hash()
    session.save()
    context = browser.new_context(viewport={"width": 1024, "height": 768})
    context.add_cookies(
        [{"name": "sessionid", "value": session.session_key, "url": live_server.url}]
    )
    page = context.new_page()
    page.set_default_timeout(30_000)
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on(
        "console",
        lambda message: page.faults.append(message.text) if message.type == "error" else None,
    )
    served = set()
    page.on("request", lambda request: served.add(request))
    page.on("requestfinished", lambda request: served.discard(request))
    page.on("requestfailed", lambda request: served.discard(request))
    yield page
    assert page.faults == []
    # What is still being served would hold the tables that are emptied next.
    for _ in range(200):
        page.wait_for_timeout(25)
        if not served:
            break
    context.close()


def wedge(page, text: str) -> None:
    """Type as a scanner does: evenly, faster than a hand, Enter at the end."""
    client = page.context.new_cdp_session(page)
    moment = time.time()
    for character in [*text, "\r"]:
        moment += KEY_SECONDS
        key = {"key": character, "text": character}
        if character == "\r":
            key |= {"key": "Enter", "code": "Enter", "windowsVirtualKeyCode": 13}
        client.send("Input.dispatchKeyEvent", {"type": "keyDown", "timestamp": moment, **key})
        key.pop("text")
        client.send("Input.dispatchKeyEvent", {"type": "keyUp", "timestamp": moment + 0.004, **key})


def test_the_wedge_is_heard_wherever_the_focus_is(tablet, bench, patient, live_server):
    appliance = bench.appliance(patient)
    walk(bench, appliance, until="form")
    tablet.goto(f"{live_server.url}/bench/")
    wedge(tablet, appliance.code)  # nothing has the focus
    tablet.wait_for_url(f"**/appliance/{appliance.code}/")
    tablet.click("#hold-note")
    tablet.keyboard.type("a note", delay=120)
    wedge(tablet, bench.lots["sheet"].code)  # a note is being written
    tablet.wait_for_selector(".said:has-text('fits. Now scan the forming machine')")
    assert not appliance.events.filter(action="hold").exists()
    tablet.focus("#scan-form button[type=submit]")
    wedge(tablet, "M-FORM")  # a button has the focus
    tablet.wait_for_selector(".said:has-text('Form started on Forming machine')")
    assert Appliance.objects.get(pk=appliance.pk).status == "running"


def test_a_scan_without_a_connection_waits_in_sight_and_counts_once(
    tablet, bench, patient, live_server
):
    appliance = bench.appliance(patient)
    tablet.goto(f"{live_server.url}/appliance/{appliance.code}/")
    tablet.context.set_offline(True)
    wedge(tablet, "DO-START")
    tablet.wait_for_selector(".unsent:has-text('“DO-START” is not recorded yet')")
    wedge(tablet, "DO-HOLD")  # does not write into what waits, and does not press its button
    assert tablet.input_value("#scan-text") == "DO-START"
    tablet.context.set_offline(False)
    tablet.wait_for_selector(".said:has-text('Prepare started')")
    for box in tablet.locator(".card-lines input[type=checkbox]").all():
        box.check()
    tablet.get_by_role("button", name="Finish: Prepare").dblclick()
    tablet.wait_for_selector(".said:has-text('Prepare finished')")
    assert [e.action for e in appliance.events.order_by("seq")][-2:] == ["start", "finish"]
    tablet.context.set_offline(True)
    wedge(tablet, "DO-HOLD")
    tablet.get_by_role("button", name="Do not send it").click()
    tablet.context.set_offline(False)
    wedge(tablet, "DO-BENCH")
    tablet.wait_for_url("**/bench/")
    assert Appliance.objects.get(pk=appliance.pk).status == "waiting"
    tablet.faults.clear()  # of the connection that was cut


def test_the_separator_of_gs1_codes_arrives(tablet, bench, live_server):
    tablet.goto(f"{live_server.url}/bench/")
    tablet.keyboard.type("]d2010952123454321310A1")
    tablet.keyboard.press("Control+]")
    tablet.keyboard.type("17280131")
    assert tablet.input_value("#scan-text") == "]d2010952123454321310A1\x1d17280131"


def test_another_hand_is_seen_without_a_reload(tablet, bench, patient, live_server):
    appliance = bench.appliance(patient)
    tablet.goto(f"{live_server.url}/appliance/{appliance.code}/")
    hold(bench.doctor, appliance, note="looks at it", key="h")
    tablet.wait_for_selector("#moved:has-text('Something has changed here')")
    tablet.goto(f"{live_server.url}/bench/")
    tablet.locator("summary", has_text="1 on hold").focus()
    tablet.keyboard.press("Enter")
    other = bench.appliance(patient)
    tablet.wait_for_selector(f"#now >> text={other.code}")
    # What was unfolded is as it was left, and the keyboard stands where it stood.
    assert tablet.locator("#held-prepare").get_attribute("open") is not None
    assert tablet.evaluate("document.activeElement.innerText").strip() == "1 on hold"


def test_a_button_under_the_finger_is_not_replaced(tablet, bench, patient, live_server):
    appliance = bench.appliance(patient)
    hold(bench.doctor, appliance, note="looks at it", key="h")
    tablet.goto(f"{live_server.url}/bench/")
    tablet.locator("summary", has_text="1 on hold").hover()
    tablet.mouse.down()
    with tablet.expect_response(lambda r: "seen=" in r.url and r.status == 200):
        other = bench.appliance(patient)
    tablet.wait_for_timeout(300)  # for what arrived to be put in place, if it were
    tablet.mouse.up()
    tablet.wait_for_selector("#held-prepare[open]")
    tablet.wait_for_selector(f"#now >> text={other.code}")  # it comes once the finger is off


@pytest.mark.parametrize("page", ["bench/", "stock/"])
def test_a_run_that_ends_is_told_once(tablet, bench, patient, live_server, page):
    appliance = bench.appliance(patient)
    walk(bench, appliance, until="wash")
    load = create_load(bench.technician, bench.stages["wash"], appliances=[appliance])
    load = start_load(bench.technician, load, machine=bench.machines["wash"], key="s")
    load.expected_end = load.started_at
    load.save()
    tablet.goto(f"{live_server.url}/{page}")
    tablet.wait_for_selector(".toast:has-text('Wash on Wash unit has ended')")
    tablet.goto(f"{live_server.url}/bench/codes/")
    tablet.wait_for_selector(".left.over")
    assert tablet.locator(".toast").count() == 0


HEARD = """
window.heard = [];
const tone = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () { heard.push("tone"); return tone.call(this); };
window.Notification = class { constructor(text) { heard.push(text); } };
Notification.permission = "granted";
Notification.requestPermission = async () => { heard.push("asked"); return "granted"; };
"""


@pytest.mark.parametrize("silent", [False, True])
def test_the_end_of_a_contact_time_is_heard_unless_the_office_is_silent(
    tablet, bench, patient, office, live_server, silent
):
    office.silent = silent
    office.save()
    appliance = bench.appliance(patient)
    walk(bench, appliance, until="finish")
    bench.lots["disinfectant"].material.contact_minutes = 5
    bench.lots["disinfectant"].material.save()
    start(bench.technician, appliance, lots=[bench.lots["disinfectant"]], key="soak")
    tablet.add_init_script(HEARD)
    tablet.goto(f"{live_server.url}/bench/")
    tablet.get_by_role("button", name="Turn sound and notices on").click()
    tablet.wait_for_selector("#notices[aria-pressed=true]")
    # The five minutes are over for this page.
    tablet.evaluate(
        "document.querySelector('[data-alarm]').dataset.until = new Date().toISOString()"
    )
    says = f"Disinfect and bag of {appliance.code}: its time is up"
    tablet.wait_for_selector(f".toast:has-text('{says}')")
    heard = tablet.evaluate("heard")
    assert says in heard
    assert ("tone" in heard) is not silent


def test_the_pages_have_no_violations(tablet, bench, patient, live_server):
    rows = list(bench.order(patient, ("upper", "lower")).appliances.all())
    ready, forming, prepared = bench.appliance(patient), *rows[:1], rows[1]
    walk(bench, ready)
    walk(bench, forming, until="form")
    walk(bench, prepared, until="print")
    load = bench.plate([prepared])
    found = {}
    for path in (
        "/bench/",
        "/bench/codes/",
        f"/load/{load.code}/",
        f"/load/{load.code}/failed/",
        f"/appliance/{forming.code}/",
        f"/appliance/{forming.code}/?ask=start",
        f"/appliance/{forming.code}/failed/",
        f"/appliance/{ready.code}/handover/",
        f"/appliance/{ready.code}/again/",
    ):
        tablet.goto(live_server.url + path)
        for scheme in ("light", "dark"):
            tablet.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            broken = violations(tablet)
            if broken:
                found[path, scheme] = broken
    tablet.goto(f"{live_server.url}/stock/new/")
    tablet.get_by_role("button", name="Put on record").click()
    tablet.wait_for_selector(".errorlist")
    assert (found, violations(tablet)) == ({}, [])


def test_a_finger_moves_a_block_and_the_planner_is_asked_first(
    tablet, bench, patient, live_server, monkeypatch
):
    monkeypatch.setattr(publish, "IMPROVE_SECONDS", 0.05)
    OpeningHours.objects.all().delete()
    for weekday in range(1, 8):
        OpeningHours.objects.create(weekday=weekday, opens="00:00", closes="23:59")
    bench.order(patient)
    publish.make_plan().publish()
    tablet.goto(f"{live_server.url}/plan/")
    block = tablet.locator("[data-movable] rect.block").last
    block.scroll_into_view_if_needed()
    box = block.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    client = tablet.context.new_cdp_session(tablet)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        where = [{"x": px, "y": py} for px, py in points]
        client.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": where})

    client.send("Emulation.setTouchEmulationEnabled", {"enabled": True})
    touch("touchStart", (x, y))
    for step in range(1, 6):
        touch("touchMove", (x + 16 * step, y + 1))
    assert "asks the planner" in tablet.inner_text("#moving")
    touch("touchEnd")
    tablet.wait_for_selector("#block >> text=The planner's answer")
    assert not Wish.objects.exists()


@pytest.fixture
def arranged(bench, monkeypatch):
    """A plate of two blocks; what a hand arranges is kept without a file to write."""
    outline = [[-5.0, -5.0], [5.0, -5.0], [5.0, 5.0], [-5.0, 5.0]]
    load = create_load(bench.technician, bench.stages["print"], machine=bench.machines["printer"])
    file = storage.store_bytes(b"file", "image/png")
    names = {"ABC": 30.0, "XYZ": 60.0}
    report = {
        "placed": [{"name": n, "x": x, "y": 30.0, "turn_deg": 0.0} for n, x in names.items()],
        "outlines": dict.fromkeys(names, outline),
        "plate_mm": [100, 60],
        "height_mm": 9,
    }
    plate = Plate.objects.create(load=load, file=file, picture=file, report=report)

    def arrange(load, placements, back, out, apart):
        if abs(placements[0]["x"] - placements[1]["x"]) < 12.0:
            raise TooNear("ABC and XYZ are 0.5 mm apart; 2 mm are needed.")
        Plate.objects.filter(pk=plate.pk).update(report=report | {"placed": placements})
        return SimpleNamespace(save=lambda load: None)

    monkeypatch.setattr("production.views.bench.plates.arrange_load", arrange)
    return plate


def test_a_model_dragged_too_near_is_marked_at_once_and_undone(tablet, arranged, live_server):
    faults = tablet.faults
    tablet.goto(f"{live_server.url}/load/{arranged.load.code}/plate/")
    model = tablet.locator("#on-plate-ABC")
    box = model.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    millimetre = tablet.locator("#board svg").evaluate("svg => svg.getScreenCTM().a")
    tablet.mouse.click(x, y)
    assert tablet.inner_text("[data-chosen]") == "ABC"
    assert model.get_attribute("aria-pressed") == "true"
    assert tablet.locator("#plate-undo").is_disabled()
    tablet.mouse.move(x, y)
    tablet.mouse.down()
    tablet.mouse.move(x + 19.5 * millimetre, y, steps=5)
    # Still in the hand: marked, with what is left between them.
    assert "near" in tablet.locator("#on-plate-XYZ").get_attribute("class")
    assert tablet.locator("#board .marks text").text_content() == "0.5 mm"
    tablet.mouse.up()
    tablet.wait_for_selector("#board-words >> text=Not saved: ABC and XYZ are 0.5 mm apart")
    assert tablet.locator("#plate-apart").is_visible()
    assert violations(tablet) == []
    faults[:] = [f for f in faults if "422" not in f]  # the answer that says so
    tablet.keyboard.press("Control+z")
    tablet.wait_for_selector("#board-words >> text=Saved.")
    assert tablet.locator("#board .near").count() == 0
    assert "25 mm from the left" in model.get_attribute("aria-label")
    with tablet.expect_response(lambda answer: "/arrange/" in answer.url):
        tablet.click("#turn-left-far")
    assert "turned 45" in model.get_attribute("aria-label")
    arranged.refresh_from_db()
    place = arranged.report["placed"][0]
    assert (round(place["x"], 6), place["turn_deg"]) == (30.0, 45.0)


def test_a_model_moved_by_keys_is_saved_and_keeps_the_keyboard(tablet, arranged, live_server):
    tablet.goto(f"{live_server.url}/load/{arranged.load.code}/plate/")
    model = tablet.get_by_role("button", name="Model ABC")
    model.focus()
    tablet.keyboard.press("ArrowRight")
    # Drawn anew from what is on record, by the next poll.
    tablet.evaluate("document.getElementById('plate').dataset.old = 'yes'")
    tablet.wait_for_selector("#plate:not([data-old]) .model")
    assert tablet.locator("#board-words").inner_text() == "Saved."
    assert model.evaluate("element => element === document.activeElement")
    with tablet.expect_response(lambda answer: "/arrange/" in answer.url):
        tablet.keyboard.press("ArrowRight")
    arranged.refresh_from_db()
    assert arranged.report["placed"][0]["x"] == 32.0
