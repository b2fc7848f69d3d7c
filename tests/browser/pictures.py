"""The README's pictures, made anew from the real service: ``python -m tests.browser.pictures``. Needs Mosquitto and Chromium."""

from __future__ import annotations

import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from soaktest.bench import begin_run
from soaktest.journal import open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.simulate.bench import demo_scenario, simulate
from tests.browser.serving import PASSWORD, Service
from tests.conftest import present, program

WHERE = Path(__file__).parents[2] / "dashboards" / "pictures"


def main() -> None:
    """Write bench.png and timeline.png."""
    WHERE.mkdir(exist_ok=True)
    service = Service(Path(tempfile.mkdtemp()))
    try:
        with sync_playwright() as driver:
            running = driver.chromium.launch(executable_path=program("chromium"), args=["--no-sandbox"])
            page = running.new_page(viewport={"width": 1024, "height": 1040})
            page.goto(service.url)
            page.fill("#password", PASSWORD)
            page.keyboard.press("Enter")
            page.wait_for_selector("nav.ways")
            page.goto(service.url + "/runs/1")
            page.wait_for_selector("#timeline[data-ready]")
            page.set_viewport_size({"width": 1024, "height": 1500})
            page.wait_for_timeout(800)
            _keep(page.screenshot(), "timeline.png")
            page.set_viewport_size({"width": 1024, "height": 1040})
            _leak_in_mid_wash(service)
            page.goto(service.url + "/benches/b1")
            page.wait_for_selector("[data-show=alarm-note]:has-text('A leak')", timeout=60_000)
            page.wait_for_selector("#strip .js-plotly-plot, #strip.js-plotly-plot")
            page.wait_for_timeout(2500)
            page.mouse.click(5, 500)  # the sound is let begin, and its note goes
            page.wait_for_selector("#sound[hidden]", state="attached")
            _keep(page.screenshot(), "bench.png")
            running.close()
    finally:
        service.stop()


def _leak_in_mid_wash(service: Service) -> None:
    """A run on bench b1 that goes on, heard until some minutes after its first pad was wet."""
    recording, truth = simulate(demo_scenario())
    heard = min(truth.first_water.values()) - recording.header.began + 240.0
    told = present(recording, heard, b"7")
    journal = open_journal(f"sqlite:///{service.folder / 'journal.sqlite'}")
    journal.keep(told.messages)
    header = told.header.model_copy(update={"unit": "A-0500", "run": None})
    begin_run(journal, header, read_plan("repair-check"), read_layout("front-loader"))
    journal.close()


def _keep(shot: bytes, name: str) -> None:
    import io

    with Image.open(io.BytesIO(shot)) as picture:
        small = picture.convert("RGB").resize(
            (picture.width * 3 // 4, picture.height * 3 // 4), Image.Resampling.LANCZOS
        )
    small.quantize(160).save(WHERE / name, optimize=True)


if __name__ == "__main__":
    main()
