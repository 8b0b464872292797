"""The whole main job by hand in the real browser: braces off in the morning, hand-over later."""

from __future__ import annotations

import re

from playwright.sync_api import Page, expect


def wedge(page: Page, text: str) -> None:
    """A code scanner types its text into whatever page is open, and presses Enter."""
    page.wait_for_load_state("load")
    page.wait_for_timeout(250)  # the scanner's module listens a moment after the page
    with page.expect_navigation():
        page.keyboard.type(text)
        page.keyboard.press("Enter")


MOVED = """() => new Promise((done) => {
  const found = [];
  new PerformanceObserver((list) => found.push(...list.getEntries().flatMap((entry) =>
    entry.sources.map(({ node }) => node?.className ?? ""))))
    .observe({ type: "layout-shift", buffered: true });
  setTimeout(() => done(found), 400);
})"""


def nothing_moved(page: Page) -> None:
    """What a finger aims at stays where it is while the three-dimensional view opens."""
    expect(page.locator(".stage canvas")).to_be_visible()
    assert page.evaluate(MOVED) == []


def book(page: Page, address: str) -> str:
    """The front desk adds a patient, a visit and an order; return the patient's page."""
    page.goto(f"{address}/patients/new/")
    page.fill("[name=chart_number]", "B-7001")
    page.fill("[name=family_name]", "Okonkwo")
    page.fill("[name=given_name]", "Linnea")
    page.fill("[name=date_of_birth]", "2008-03-14")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url(re.compile(r"/patients/[0-9a-f-]{36}/$"))
    home = page.url
    page.goto(f"{home}visit/")
    page.get_by_label("Debond").check()
    page.get_by_role("button", name="Book, then order and pickup time").click()
    page.wait_for_url(re.compile("/order/"))
    page.get_by_label("Retainer").check()
    page.get_by_label(re.compile("both", re.I)).or_(
        page.get_by_label(re.compile(r"upper (and|\+) lower", re.I))
    ).first.check()
    page.select_option("[name=sheet]", label="Clear sheet 1.0 mm")
    page.get_by_role("button", name="Ask the bench").click()
    agree = page.get_by_role("button", name=re.compile("^Agree on")).first
    expect(agree).to_be_visible(timeout=60_000)
    agree.click()
    page.wait_for_url(re.compile("/agreed/"))
    slip = page.get_by_role("link", name=re.compile("slip", re.I)).first
    answer = page.request.get(address + str(slip.get_attribute("href")))
    assert answer.body().startswith(b"%PDF")
    return home


def take_scans(page: Page, address: str, patient: str, scans) -> None:
    """The doctor drops both arches; the verdict appears by itself."""
    key = re.search(r"[0-9a-f-]{36}", patient)
    assert key
    page.goto(f"{address}/chair/{key[0]}/")
    for arch in ("upper", "lower"):
        page.set_input_files(f'input[data-arch="{arch}"]', str(scans[arch]))
    cards = page.locator(".scan-card")
    expect(cards).to_have_count(2, timeout=60_000)
    expect(page.locator(".scan-card img")).to_have_count(2, timeout=90_000)
    for card in cards.all():
        expect(card.locator(".chip").first).to_have_text(re.compile("Pass|Check|Rescan"))
    links = [
        str(card.get_by_role("link", name="Turn and look").get_attribute("href"))
        for card in cards.all()
    ]
    for link in links:
        page.goto(address + link)
        expect(page.locator("#verdict-title")).to_be_visible()
        right_and_left_show(page)
        nothing_moved(page)
        if page.get_by_label("Reason").count():
            page.fill("#reason", "Looked at with the patient, fit for a retainer.")
            page.get_by_role("button", name=re.compile("^Accept")).click()
            expect(page.get_by_role("heading", name="Accepted")).to_be_visible()


def right_and_left_show(page: Page) -> None:
    """Both letters stand beside the arch, wholly in the view."""
    letters = page.locator(".stage .side-letter")
    expect(letters).to_have_count(2, timeout=30_000)
    expect(letters.first).to_be_visible()
    view = page.locator(".stage").bounding_box()
    for box in [letter.bounding_box() for letter in letters.all()]:
        assert box["x"] >= view["x"]
        assert box["x"] + box["width"] <= view["x"] + view["width"]


def codes_of(page: Page, address: str, patient: str) -> list[str]:
    """Return the codes of the patient's appliances, from the patient's page."""
    page.goto(patient)
    hrefs = page.locator('a[href*="/appliance/"]').evaluate_all(
        "links => links.map((a) => a.getAttribute('href'))"
    )
    found = [re.search(r"/appliance/(\w+)/", h) for h in hrefs]
    return sorted({m[1] for m in found if m})


def make(page: Page, address: str, codes: list[str], lots: dict[str, str]) -> None:
    """The technician takes both appliances from model to bag with the scanner only."""
    for code in codes:
        page.goto(f"{address}/appliance/{code}/")
        made = page.get_by_role("link", name=re.compile("^Made"))
        for _ in range(90):  # the worker makes the model as soon as the scan is usable
            if made.count():
                break
            page.wait_for_timeout(1000)
            page.reload()
        made.click()
        nothing_moved(page)
        page.get_by_role("button", name="Approve for printing").click()
        expect(page.locator("#model-state").get_by_text("Approved")).to_be_visible()
        for text in (code, "DO-START", "DO-TICK-ALL", "DO-FINISH"):
            wedge(page, text)
    for text in ("DO-BENCH", "M-PR1", *codes, "DO-TICK-ALL", lots["resin"]):
        wedge(page, text)
    expect(page.locator("[data-until]").first).to_be_visible()
    # Nobody waits here for a program's minutes: print, cure and forming ask, and are answered.
    for text in ("DO-BENCH", "M-PR1", "ENDED-FULL"):
        wedge(page, text)
    for machine, finish in (("M-WA1", "DO-OK"), ("M-CU1", "ENDED-FULL")):
        for text in (machine, *codes, machine, "DO-TICK-ALL", finish, "DO-BENCH"):
            wedge(page, text)
    for code in codes:
        for text in (code, lots["block_out"], "DO-TICK-ALL", "DO-FINISH"):
            wedge(page, text)
        for text in (code, lots["sheet"], "M-FO1", "DO-TICK-ALL", "ENDED-FULL"):
            wedge(page, text)
        for text in ("DO-OK", "DO-TICK-ALL", "DO-OK"):
            wedge(page, text)
        for text in (lots["disinfectant"], "DO-TICK-ALL", "DO-OK"):
            wedge(page, text)
        page.goto(f"{address}/appliance/{code}/")
        expect(page.get_by_role("heading", name="Ready for pickup")).to_be_visible()


def hand_over(page: Page, address: str, codes: list[str]) -> None:
    """The patient is back: two identifiers, try-in, done."""
    for code in codes:
        page.goto(f"{address}/appliance/{code}/handover/")
        if page.locator("#bag").count():
            page.fill("#bag", code)
        page.check("[name=identity]")
        page.check("[name=birth]")
        page.get_by_label("Seats fully").check()
        with page.expect_navigation():  # a form goes out once the server has answered
            page.get_by_role("button", name="Record the hand-over").click()
        page.goto(f"{address}/appliance/{code}/")
        expect(page.get_by_role("heading", name="With the patient")).to_be_visible()


def test_from_debond_to_hand_over(sign_in, site, scans):
    address = site.address
    desk = sign_in("desk")
    patient = book(desk, address)
    doctor = sign_in("doctor")
    take_scans(doctor, address, patient, scans)
    codes = codes_of(desk, address, patient)
    assert len(codes) == 2
    lab = sign_in("lab")
    lots = {"resin": "L-1", "sheet": "L-2", "block_out": "L-5", "disinfectant": "L-6"}
    make(lab, address, codes, lots)
    hand_over(desk, address, codes)
    doctor.goto(f"{address}/review/")
    expect(doctor.get_by_text("2 handed over")).to_be_visible()
    for page in (desk, doctor, lab):
        assert page.faults == []
