"""One browser and one running site for all browser tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.browser.site import PASSWORD, Site, furnish, start

ARGUMENTS = [
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--disable-background-networking",
]
TABLET = {"width": 1024, "height": 768}

# The machine may draw three-dimensional views in software and make models meanwhile.
expect.set_options(timeout=30_000)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium from Debian's package, without a screen."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield chromium
        chromium.close()


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A furnished site with an actual worker process."""
    data = tmp_path_factory.mktemp("site") / "data"
    furnish(data)
    running = start(data)
    yield running
    running.stop()


@pytest.fixture
def sign_in(browser: Browser, site: Site) -> Iterator[Callable[[str], Page]]:
    """``sign_in("desk")``: a page in which that person is signed in."""
    contexts: list[BrowserContext] = []

    def enter(name: str) -> Page:
        context = browser.new_context(viewport=TABLET, has_touch=True)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(30_000)
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on(
            "console",
            lambda message: (
                faults.append(message.text) if "Content Security Policy" in message.text else None
            ),
        )
        page.faults = faults  # type: ignore[attr-defined]
        page.goto(f"{site.address}/login/")
        page.fill("#id_username", name)
        page.fill("#id_password", PASSWORD)
        page.click("button[type=submit]")
        page.wait_for_url(lambda address: "/login/" not in address)
        return page

    yield enter
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def scans(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Files of an upper and a lower arch of one mouth, as a scanner would write them."""
    from fixtures.arches import make_arch, random_spec
    from geometry.reading import write_stl

    folder = tmp_path_factory.mktemp("scans")
    files = {}
    for arch in ("upper", "lower"):
        spec = random_spec(
            41, arch=arch, gaps="none", short_places="none", recession=False, clean=True
        ).but(triangles=60_000, captured=13.0, captured_sd=0.3, palate=False)
        path = folder / f"{arch}.stl"
        path.write_bytes(write_stl(make_arch(spec, 41).mesh))
        files[arch] = path
    return files
