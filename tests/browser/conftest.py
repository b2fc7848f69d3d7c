"""Debian's Chromium, driven by Playwright."""

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.serving import PASSWORD, Service
from tests.conftest import program

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A browser that talks to nobody by itself."""
    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=program("chromium"), args=FLAGS)
        yield running
        running.close()


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    running = Service(tmp_path_factory.mktemp("serve"))
    yield running
    running.stop()


@pytest.fixture
def enter(browser: Browser, service: Service) -> Iterator[Callable[..., Page]]:
    """A page that is logged in; at its end nothing had left the host and nothing had failed in the page."""
    opened: list[tuple[Page, list[str]]] = []

    def come_in(
        width: int = 1280,
        *,
        dark: bool = False,
        refused: str = "no refusal",
        zone: str | None = None,
        touch: bool = False,
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 800},
            color_scheme="dark" if dark else "light",
            timezone_id=zone,
            has_touch=touch,
            is_mobile=touch,
        )
        page, wrong = context.new_page(), []
        page.on(
            "request",
            lambda r: (
                wrong.append("left the host: " + r.url)
                if not r.url.startswith((service.url, "data:", "blob:"))
                else None
            ),
        )
        page.on("dialog", lambda d: d.accept())
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.on(
            "console",
            lambda m: (
                wrong.append(m.text) if m.type in ("error", "warning") and refused not in m.text else None
            ),
        )
        page.goto(service.url)
        page.fill("#password", PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_selector("h1:has-text('Benches')")
        opened.append((page, wrong))
        return page

    yield come_in
    for page, wrong in opened:
        page.context.close()
        assert wrong == []
