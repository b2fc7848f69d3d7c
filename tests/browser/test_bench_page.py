"""The bench's page in a real browser against the real service, with a real broker and nodes that publish."""

import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import httpx
import orjson
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Page

from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from tests.browser.serving import PAGES, PASSWORD, PadNode, Service, begin_a_run, broken_rules, until


def test_a_wrong_password_is_refused_and_changes_need_the_token(service: Service) -> None:
    """Nothing is seen or changed from outside, nor by another site's form."""
    with httpx.Client(base_url=service.url) as client:
        assert client.get("/api/benches").status_code == 401
        assert client.post("/door", data={"password": "guess"}).status_code == 403
        assert (
            client.post("/benches/b1/begin", data={"plan": "resale", "layout": "front-loader"}).status_code
            == 401
        )
        assert client.post("/door", data={"password": PASSWORD}).status_code == 303
        assert client.get("/api/benches").status_code == 200
        forged = client.post(
            "/benches/b1/begin", data={"plan": "resale", "layout": "front-loader", "token": "x"}
        )
        assert forged.status_code == 403
        assert client.get("/api/benches", headers={"host": "evil.example"}).status_code == 400


def test_begin_leak_alarm_note_end(service: Service, enter: Callable[..., Page], tmp_path: Path) -> None:
    """The whole of a technician's morning; the alarm shows within 1 s of the pack reaching the broker."""
    node = PadNode(service.broker.address, "b7")
    told: list[tuple[str, bytes]] = []
    lamp = mqtt.Client(CallbackAPIVersion.VERSION2)
    lamp.on_message = lambda _c, _d, m: told.append((m.topic, bytes(m.payload)))
    lamp.connect(service.broker.address.host, service.broker.address.port)
    lamp.subscribe([("soaktest/b7/alarm", 1), ("soaktest/b7/lamp", 1)])
    lamp.loop_start()
    page = enter()
    node.say()
    page.wait_for_selector("[data-bench=b7]")
    page.click("[data-bench=b7]")
    begin_a_run(page)
    for _ in range(14):
        node.say()
        time.sleep(0.7)
    assert not page.is_visible("#alarm")

    had = node.say(left=0.5)
    page.wait_for_selector("#alarm:not([hidden])", timeout=5000)
    took = time.monotonic() - had
    assert took < 1.0
    assert "Bench b7: water at left since" in page.inner_text("#alarm")
    assert "WET" in page.inner_text("[data-pad=left]")

    alarm = orjson.loads(next(payload for topic, payload in reversed(told) if topic.endswith("alarm")))
    assert (alarm["wet"], alarm["zones"]) == (True, ["left"])
    lamp.loop_stop()

    for wet in (
        {"left": 0.5},
        {"left": 0.5, "right": 0.5},
    ):  # what has been seen is not the water that comes after
        node.say(**wet)
        until(lambda: page.evaluate("sound !== null"), 5)
        page.click("#seen:not(:disabled)")
        page.wait_for_selector("#seen:disabled >> text=Seen ")
        assert "calm" in str(page.get_attribute("#alarm", "class"))
        assert page.evaluate("sound === null")
    page.fill("#text", "drip at the weight, left")
    photo = tmp_path / "drip.png"
    photo.write_bytes(_png())
    page.set_input_files("#photo", photo)
    page.click("text=Keep it")
    page.wait_for_selector(".notes >> text=drip at the weight, left")
    assert page.locator(".notes img").count() == 1
    page.reload()
    page.wait_for_selector("#alarm:not([hidden])")
    page.click("button >> text=End and judge")
    page.wait_for_selector("#timeline[data-ready]")
    assert "drip at the weight" in page.inner_text("main")
    node.stop()


def _png() -> bytes:
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (2400, 1200), "#336699").save(out, "PNG")
    return out.getvalue()


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (1024, True), (390, False), (390, True)])
def test_pages_fit_the_screen(enter: Callable[..., Page], width: int, dark: bool) -> None:
    """At desktop, tablet and phone width nothing is wider than the screen, and the verdict is in the first view."""
    page = enter(width, dark=dark)
    for path in PAGES:
        page.goto(page.url.split("/", 3)[0] + "//" + page.url.split("/", 3)[2] + path)
        page.wait_for_load_state("load")
        if path == "/runs/1":
            page.wait_for_selector("#timeline[data-ready]")
            top = page.locator("h1").bounding_box()
            assert top is not None
            assert top["y"] < 400
            assert "FAIL" in page.inner_text("h1")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth + 1"), path
        ways = page.evaluate(
            "[...document.querySelectorAll('.ways a')].map(e => e.getBoundingClientRect()).map(r => [r.top, r.height])"
        )
        assert len({top for top, _ in ways}) <= 1, path  # one row
        assert all(height >= 44 for _, height in ways)
        tags = (
            "[...document.querySelectorAll('.whole a, .keep a')].every(a => a.getClientRects().length <= 1)"
        )
        assert page.evaluate(tags), path  # no tag or number is broken


@pytest.mark.parametrize("width", [1280, 390])
def test_a_tap_anywhere_in_a_row_opens_it(service: Service, enter: Callable[..., Page], width: int) -> None:
    """Rows are 44 pixels high at the least, and so are the heads that sort; links within a row keep their own way."""
    page = enter(width)
    for path, column, opened in (("/runs", 2, "/runs/"), ("/units", 3, "/units/A-")):
        page.goto(service.url + path)
        heights = page.evaluate(
            "[...document.querySelectorAll('.rows tbody tr, .rows th a')].map(e => e.getBoundingClientRect().height)"
        )
        assert min(height for height in heights if height) >= 44
        page.click(
            f".rows tbody tr:last-child td:nth-child({column})", position={"x": 4, "y": 34}, force=True
        )
        page.wait_for_url(f"**{opened}*")
    page.goto(service.url + "/runs")
    page.click(".rows tbody tr:last-child >> text=A-0417")
    page.wait_for_url("**/units/A-0417")


def test_zoom_is_redrawn_from_the_server_and_two_runs_stay_in_step(
    service: Service, enter: Callable[..., Page]
) -> None:
    """A jump to the wet event fetches that window; beside another run, both show the same span."""
    page = enter()
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("#timeline[data-ready]")
    page.click(".jumps >> text=left wet")
    page.wait_for_selector("#timeline[data-drawn]")
    span = page.evaluate(
        "(r => (new Date(r[1]) - new Date(r[0])) / 1000)(document.getElementById('timeline').layout.xaxis.range)"
    )
    assert span == pytest.approx(480, abs=1)

    page.goto(service.url + "/compare?a=1&b=2")
    page.wait_for_selector(".side[data-ready] >> nth=1")
    page.wait_for_timeout(500)
    page.evaluate(
        "(s => Plotly.relayout(s, {'xaxis.range': [s.layout.xaxis.range[0], s.layout.xaxis.range[0].replace(/..:..\\....$/, '59:00.000')]}))(document.querySelector('.side'))"
    )
    page.wait_for_timeout(700)
    spans = page.evaluate(
        "[...document.querySelectorAll('.side')].map(s => new Date(s.layout.xaxis.range[1]) - new Date(s.layout.xaxis.range[0]))"
    )
    assert spans[0] == pytest.approx(spans[1], abs=50)


@pytest.mark.parametrize("zone", ["Asia/Kathmandu", "America/St_Johns"])
def test_a_zoom_shows_the_same_from_a_tablet_of_another_time_zone(
    service: Service, enter: Callable[..., Page], zone: str
) -> None:
    """The lines of the window lie within it, and the water begins where the mark of the wet event stands."""
    page = enter(zone=zone)
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("#timeline[data-ready]")
    mark = page.evaluate("timeline.layout.shapes.find(s => s.type === 'line').x0")
    page.click(".jumps >> text=left wet")
    page.wait_for_selector("#timeline[data-drawn]")
    low, high = page.evaluate("timeline.layout.xaxis.range")
    x, y = page.evaluate("(t => [[...t.x].map(onAxis), t.y])(timeline.data.find(t => t.name === 'left pad'))")

    inside = [t for t in x if low <= t <= high]
    assert len(inside) > 300
    assert len(inside) >= len(x) - 2
    rise = next(t for t, before, after in zip(x[5:], y, y[5:], strict=False) if after > 1.5 * before)
    begun, seen = (datetime.fromisoformat(t[:23].ljust(23, "0")) for t in (mark, rise))
    assert abs((seen - begun).total_seconds()) < 60


def test_downloads_are_what_they_say(service: Service) -> None:
    """A table by the second as CSV and Parquet, a page that needs no network, a recording that judges the same."""
    import io

    import pandas as pd

    from soaktest.analysis.analyse import analyse
    from soaktest.recording import read_recording

    with httpx.Client(base_url=service.url, timeout=30) as client:
        client.post("/door", data={"password": PASSWORD})
        table = pd.read_csv(io.BytesIO(client.get("/runs/1/download/csv").content))
        packed = pd.read_parquet(io.BytesIO(client.get("/runs/1/download/parquet").content))
        assert list(table.columns) == list(packed.columns)
        assert {"utc_s", "phase", "left_microsiemens", "power_w"} <= set(table.columns)
        assert pd.to_datetime(table.time_utc).nunique() == table.utc_s.nunique() == len(table) > 2000
        assert (pd.to_datetime(table.time_utc) == packed.time_utc).all()
        assert b"FAIL: it leaks" in client.get("/runs/1/download/timeline").content
        shown = client.get("/runs/1").text
        assert "The water has dried since" in shown
        assert "still wet" not in shown  # it is a year old
        path = service.folder / "again.ndjson.gz"
        path.write_bytes(client.get("/runs/1/download/recording").content)
        kept = client.get("/api/runs/1/findings").json()
    again = analyse(read_recording(path), read_layout("front-loader"), read_plan("repair-check"))
    assert (again.verdict, len(again.wet_events)) == (kept["verdict"], len(kept["wet_events"]))


def test_keyboard_alone_gets_to_the_run(service: Service, enter: Callable[..., Page]) -> None:
    """From the door to a run's timeline with Tab and Enter."""
    page = enter()
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Runs":
            break
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Runs')")
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('href')") == "/runs/1":
            break
    page.keyboard.press("Enter")
    page.wait_for_selector("#timeline[data-ready]")


def test_a_stale_bench_says_so(service: Service, enter: Callable[..., Page]) -> None:
    """A bench that has gone silent is not shown as dry and well."""
    node = PadNode(service.broker.address, "b9")
    node.say()
    node.stop()
    page = enter()
    page.goto(service.url + "/benches/b9")
    page.wait_for_selector("#stale:not([hidden])", timeout=15_000)
    assert "not heard" in page.inner_text("[data-pad=left]")
    assert "see that the nodes are heard" in page.inner_text("[data-show=sub]")
    page.click("#check")  # what was heard last is no reading
    page.wait_for_selector("text=Left, centre and right not heard: check the pads' node first.")


@pytest.mark.parametrize("dark", [False, True])
def test_no_page_breaks_the_accessibility_rules(
    service: Service, enter: Callable[..., Page], dark: bool
) -> None:
    """WCAG 2.2 AA as far as a machine can tell (axe-core); plots are left out where the library draws them."""
    page = enter(1024, dark=dark)
    assert [
        fault for path in (*PAGES, "/benches/nobody") for fault in broken_rules(page, service.url + path)
    ] == []
