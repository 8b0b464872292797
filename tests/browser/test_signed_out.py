"""The session ends while somebody writes: nothing written is lost, nothing is done for another."""

from __future__ import annotations

import re

from playwright.sync_api import expect

from tests.browser.site import PASSWORD


def sign_in_beside(page, name: str) -> None:
    """Follow the notice's link and sign in in the window that it opens."""
    with page.context.expect_page() as opened:
        page.click("#signed-out a")
    beside = opened.value
    beside.fill("#id_username", name)
    beside.fill("#id_password", PASSWORD)
    beside.click("button[type=submit]")
    beside.wait_for_url(lambda address: "/login/" not in address)
    beside.close()


def test_a_half_filled_form_waits_for_its_person(sign_in, site):
    page = sign_in("desk")
    page.goto(site.address + "/patients/new/")
    for name, value in (
        ("chart_number", "L-1"), ("family_name", "Ünal"), ("given_name", "Ayşe"),
        ("date_of_birth", "2010-02-03"),
    ):  # fmt: skip
        page.fill(f"[name={name}]", value)
    page.context.clear_cookies()
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#signed-out")).to_contain_text("signed out")
    sign_in_beside(page, "lab")
    expect(page.locator("#signed-out")).to_contain_text("is signed in by now")
    page.get_by_role("button", name="Save").click()
    page.wait_for_timeout(300)
    assert page.url.endswith("/patients/new/")
    page.context.clear_cookies()
    expect(page.locator("#signed-out")).to_contain_text("You are signed out")
    sign_in_beside(page, "desk")
    expect(page.locator("#signed-out")).to_contain_text("signed in again")
    assert page.input_value("[name=family_name]") == "Ünal"
    page.get_by_role("button", name="Save").click()
    page.wait_for_url(re.compile(r"/patients/[0-9a-f-]{36}/$"))


def test_a_live_page_stays_while_something_is_written_on_it(sign_in, site):
    page = sign_in("desk")
    page.goto(site.address + "/today/")
    page.fill("[name=q]", "Oka")
    page.context.clear_cookies()
    expect(page.locator("#signed-out")).to_be_visible()
    assert page.input_value("[name=q]") == "Oka"
    page.fill("[name=q]", "")
    page.wait_for_url(re.compile("/login/"))


def test_an_upload_can_be_stopped(sign_in, site):
    page = sign_in("doctor")
    patient = re.search(r"/patients/[0-9a-f-]{36}/", _list(page, site))[0]
    page.goto(site.address + patient.replace("/patients/", "/chair/"))
    held = []  # a line on which nothing arrives
    page.route(re.compile(r"/upload/.*offset="), lambda route: held.append(route))
    file = {"name": "upper.stl", "mimeType": "model/stl", "buffer": b"x" * 3_000_000}
    page.set_input_files('input[data-arch="upper"]', file)
    page.get_by_role("button", name="Stop sending upper.stl").click()
    expect(page.locator("#queue")).to_contain_text("Stopped. Nothing was taken in.")
    for route in held:
        route.abort()
    expect(page.get_by_role("button", name="Go on")).to_be_visible()


def _list(page, site) -> str:
    page.goto(site.address + "/patients/")
    return str(page.content())
