"""Every page opens without accessibility violations and without breaking its own policy."""

from __future__ import annotations

from pathlib import Path

import pytest

from production.views.office.settings import SECTIONS

AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text()
PAGES = {
    "desk": ["/today/", "/patients/", "/patients/new/", "/patients/list/patients/"],
    "lab": ["/bench/", "/bench/codes/", "/plan/", "/stock/", "/stock/lot/1/", "/machines/"],
    "doctor": ["/review/", "/today/"],
    "manager": [
        "/settings/", "/settings/office/", "/settings/kinds/", "/settings/kinds/1/",
        "/settings/people/new/", "/settings/machines/1/", "/settings/card/print/",
    ],
}  # fmt: skip


def violations(page) -> list[str]:
    """Run axe-core (Deque, MPL-2.0) with the WCAG 2.2 A and AA rules; best practices too."""
    page.evaluate(AXE)
    found = page.evaluate(
        """async () => (await axe.run(document, {
            runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
        })).violations.map((v) => `${v.id}: ${v.nodes.map((n) => n.target).join(" | ")}`)"""
    )
    return [str(f) for f in found]


def test_the_sign_in_page_is_accessible(browser, site):
    page = browser.new_page()
    page.goto(f"{site.address}/login/")
    assert violations(page) == []
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("who", PAGES)
def test_pages_have_no_violations(sign_in, site, who, scheme):
    page = sign_in(who)
    page.emulate_media(color_scheme=scheme)
    found = {}
    for path in PAGES[who]:
        page.goto(site.address + path)
        broken = violations(page)
        if broken:
            found[path] = broken
    assert found == {}
    assert page.faults == []


SIDEWAYS = """() => [document.documentElement, ...document.querySelectorAll("main .scroll")]
    .filter((e) => e.scrollWidth > e.clientWidth + 1 && !e.matches(".timeline"))
    .map((e) => `${e.tagName}.${e.className} ${e.clientWidth} < ${e.scrollWidth}`)"""


@pytest.mark.parametrize("who", PAGES)
def test_on_a_phone_no_page_and_no_table_scrolls_sideways(sign_in, site, who):
    page = sign_in(who)
    page.set_viewport_size({"width": 390, "height": 844})
    paths = [*PAGES[who]]
    if who == "manager":
        paths += [f"/settings/{slug}/" for slug in SECTIONS] + ["/plan/weeks/"]
    found = {}
    for path in paths:
        page.goto(site.address + path)
        if wide := page.evaluate(SIDEWAYS):
            found[path] = wide
    assert found == {}
