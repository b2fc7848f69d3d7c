"""How soon a run's page is seen in a browser: a part of ``python -m tests.benchmarks.viewing``.

The real service runs as a process of its own; each opening has a browser of its own, so that nothing is cached.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.conftest import FLAGS
from tests.browser.serving import answers, until
from tests.conftest import free_port, program

MARKS = """
    window.seen = {};
    new MutationObserver(changes => {
        for (const {attributeName: name, target} of changes)
            if (target.id === "timeline") requestAnimationFrame(() => setTimeout(() => { window.seen[name] = performance.now(); }));
    }).observe(document, {subtree: true, attributes: true, attributeFilter: ["data-still", "data-ready", "data-drawn"]});
"""
"""When the timeline told that its curves are drawn (a still first, then lines that answer to the hand), and the picture after it was on the screen; milliseconds since navigation."""
PAINTED = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
ZOOMS = {
    "the first wet event": "[data-from]",
    "wider, by a button": "[data-scale='2']",
    "the whole run": "[data-scale='1000000000.0']",
}


def look_in_a_browser(folder: Path, number: int, openings: int) -> None:
    """Print medians of several openings of the page of a run in the journal of a folder, and of zooms there."""
    rows: dict[str, list[float]] = {}
    with _served(folder) as url, sync_playwright() as driver:
        for _ in range(openings):
            browser = driver.chromium.launch(executable_path=program("chromium"), args=FLAGS)
            for cached in ("", ", opened again"):
                for name, took in _opened(browser, f"{url}/runs/{number}", cached):
                    rows.setdefault(name, []).append(took)
            browser.close()
    for name, tries in rows.items():
        print(
            f"  {name}: {median(tries) / 1000:.3f} s (of {len(tries)}: {min(tries) / 1000:.3f} to {max(tries) / 1000:.3f})"
        )


def _opened(browser: Browser, address: str, again: str) -> Iterator[tuple[str, float]]:
    context = (
        browser.contexts[0]
        if browser.contexts
        else browser.new_context(viewport={"width": 1280, "height": 800})
    )
    page = context.new_page()
    page.add_init_script(MARKS)
    page.goto(address)
    page.wait_for_function("() => window.seen['data-ready']", timeout=120_000)
    yield f"first contentful paint{again}", page.evaluate(PAINTED)
    yield f"curves, as a still{again}", page.evaluate("window.seen['data-still']")
    yield f"curves that answer to the hand{again}", page.evaluate("window.seen['data-ready']")
    for name, button in ZOOMS.items() if again else ():
        yield name, _zoomed(page, button)
    page.close()


def _zoomed(page: Page, button: str) -> float:
    """Milliseconds from the click of a button until the curves of the new window are on the screen.

    The mouse comes to the button a tenth of a second before, as a hand does: the page asks for the lines then.
    """
    page.wait_for_timeout(500)
    page.mouse.move(0, 0)
    page.locator(f"#windows {button}").first.hover()
    page.wait_for_timeout(100)
    page.evaluate(
        """() => { delete seen["data-drawn"];
        document.addEventListener("click", () => { seen.click = performance.now(); }, {capture: true, once: true}); }"""
    )
    page.mouse.down()
    page.mouse.up()
    page.wait_for_function("() => window.seen['data-drawn']")
    return float(page.evaluate("window.seen['data-drawn'] - window.seen.click"))


@contextmanager
def _served(folder: Path) -> Iterator[str]:
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    command = [
        sys.executable,
        "-m",
        "soaktest.cli",
        "serve",
        "--port",
        str(port),
        "--broker-port",
        str(free_port()),
    ]
    served = subprocess.Popen(
        command, env={**os.environ, "SOAKTEST_DATA": str(folder)}, stdout=subprocess.DEVNULL
    )
    try:
        until(lambda: answers(url), 30)
        yield url
    finally:
        served.send_signal(signal.SIGINT)
        served.wait(30)
