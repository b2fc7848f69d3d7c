"""Debian's Chromium, driven by Playwright."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

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
