"""Every page opens without accessibility violations and without breaking its own policy."""

from __future__ import annotations

from pathlib import Path

import pytest

AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text()
PAGES = {
    "desk": ["/today/", "/patients/", "/patients/new/"],
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
