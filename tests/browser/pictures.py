"""The README's pictures, made anew from the real service: ``python -m tests.browser.pictures``. Needs Mosquitto and Chromium."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.browser.serving import PASSWORD, PadNode, Service, begin_a_run
from tests.conftest import program

WHERE = Path(__file__).parents[2] / "dashboards" / "pictures"


def main() -> None:
    """Write bench.png and timeline.png."""
    WHERE.mkdir(exist_ok=True)
    service = Service(Path(tempfile.mkdtemp()))
    try:
        node = PadNode(service.broker.address, "b7")
        node.say()
        with sync_playwright() as driver:
            running = driver.chromium.launch(executable_path=program("chromium"), args=["--no-sandbox"])
            page = running.new_page(viewport={"width": 1024, "height": 820})
            page.goto(service.url)
            page.fill("#password", PASSWORD)
            page.keyboard.press("Enter")
            page.wait_for_selector("[data-bench=b7]")
            page.goto(service.url + "/benches/b7")
            begin_a_run(page)
            for _ in range(14):
                node.say()
                time.sleep(0.7)
            for ratio in (0.3, 0.4, 0.5, 0.6, 0.7):
                node.say(left=ratio)
                time.sleep(0.7)
            page.wait_for_selector("#alarm:not([hidden])")
            _keep(page.screenshot(), "bench.png")
            page.goto(service.url + "/runs/1")
            page.wait_for_selector("#timeline[data-ready]")
            page.set_viewport_size({"width": 1024, "height": 1500})
            page.wait_for_timeout(800)
            _keep(page.screenshot(), "timeline.png")
            running.close()
        node.stop()
    finally:
        service.stop()


def _keep(shot: bytes, name: str) -> None:
    import io

    with Image.open(io.BytesIO(shot)) as picture:
        small = picture.convert("RGB").resize(
            (picture.width * 3 // 4, picture.height * 3 // 4), Image.Resampling.LANCZOS
        )
    small.quantize(160).save(WHERE / name, optimize=True)


if __name__ == "__main__":
    main()
