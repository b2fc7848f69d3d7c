"""The bench's page in a real browser against the real service, with a real broker and nodes that publish."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import orjson
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Browser, Page

from soaktest.certificate.keys import make_key
from soaktest.journal import open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.replay import replay
from soaktest.settings import BrokerAddress
from soaktest.simulate.bench import demo_scenario, simulate
from soaktest.wire import Pack, Topic, build_about, build_readings
from tests.conftest import Mosquitto, free_port, later

PASSWORD, PASSPHRASE = "drip-watch", "correct horse"
PAGES = (
    "/", "/benches/b1", "/runs", "/runs/1", "/runs/2", "/units", "/units/A-0417", "/story/A-0417", "/certificates", "/learned", "/compare?a=1&b=2",
)  # fmt: skip
DRY = 100_000.0 / (100_000.0 + 2_200_000.0)


class Service:
    """``soaktest serve`` as a process of its own on a Mosquitto of its own."""

    def __init__(self, folder: Path) -> None:
        self.broker = Mosquitto(folder, keeps=False)
        self.folder, self.port = folder, free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._fill()
        env = {
            **os.environ, "SOAKTEST_DATA": str(folder), "SOAKTEST_BROKER": str(self.broker.address), "SOAKTEST_PASSWORD": PASSWORD,
        }  # fmt: skip
        self._process = subprocess.Popen(
            [sys.executable, "-m", "soaktest.cli", "serve", "--port", str(self.port)],
            env=env,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        until(self.answers, 30)

    def _fill(self) -> None:
        """Two finished runs of one unit: before and after its repair."""
        journal = open_journal(f"sqlite:///{self.folder / 'journal.sqlite'}")
        for leaking, shift in ((True, 0.0), (False, 90_000.0)):
            recording, _ = simulate(demo_scenario(leaking=leaking))
            moved = later(recording, shift, str(int(leaking)).encode())
            replay(
                moved, journal, self.broker.address, (read_plan("repair-check"), read_layout("front-loader"))
            )
        make_key(journal, self.folder / "keys", PASSPHRASE)
        journal.close()

    def answers(self) -> bool:
        try:
            return httpx.get(self.url + "/door").status_code == 200
        except httpx.TransportError:
            return False

    def stop(self) -> None:
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.wait(15)
        finally:
            self._process.kill()
            self.broker.stop()


class PadNode:
    """A pad node that publishes a pack of five samples for each pad."""

    def __init__(self, address: BrokerAddress, bench: str) -> None:
        self.topic, self.seq, self.began = Topic(bench, "pads", "readings"), 0, time.monotonic()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect(address.host, address.port)
        self._client.loop_start()
        pads = {
            zone: {"divider_ohm": 100_000.0, "end_of_line_ohm": 2_200_000.0}
            for zone in ("left", "centre", "right")
        }
        about = build_about({"contract": 1, "kind": "pads", "clock": "uptime", "rate_hz": 5, "pads": pads})
        self._client.publish(f"soaktest/{bench}/pads/about", about, qos=1, retain=True).wait_for_publish(10)

    def say(self, **wet: float) -> float:
        """Publish one pack; a wet pad's ratio by its name. Returns when the broker had it."""
        times = [-0.8, -0.6, -0.4, -0.2, 0.0]
        samples = {zone: (times, [wet.get(zone, DRY)] * 5) for zone in ("left", "centre", "right")}
        pack = Pack("live", self.seq, 10.0 + time.monotonic() - self.began, absolute=False, samples=samples)
        self.seq += 1
        self._client.publish(str(self.topic), build_readings(self.topic, pack), qos=1).wait_for_publish(10)
        return time.monotonic()

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def begin_a_run(page: Page) -> None:
    """On the page of a bench, a short check of unit A-0500."""
    page.fill("#unit", "A-0500")
    page.select_option("#plan", "repair-check")
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("text=End and judge")


def until(what: Callable[[], bool], seconds: float) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.05)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    running = Service(tmp_path_factory.mktemp("serve"))
    yield running
    running.stop()


@pytest.fixture
def enter(browser: Browser, service: Service) -> Iterator[Callable[..., Page]]:
    """A page that is logged in; at its end nothing had left the host and nothing had failed in the page."""
    opened: list[tuple[Page, list[str]]] = []

    def come_in(width: int = 1280, *, dark: bool = False, refused: str = "no refusal") -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 800}, color_scheme="dark" if dark else "light"
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
            "console", lambda m: wrong.append(m.text) if m.type == "error" and refused not in m.text else None
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
    assert "Water at left since" in page.inner_text("#alarm")
    assert "WET" in page.inner_text("[data-pad=left]")

    alarm = orjson.loads(next(payload for topic, payload in reversed(told) if topic.endswith("alarm")))
    assert (alarm["wet"], alarm["zones"]) == (True, ["left"])
    lamp.loop_stop()

    page.click("#seen")
    page.wait_for_selector("#alarm >> text=seen at")
    page.fill("#text", "drip at the weight, left")
    photo = tmp_path / "drip.png"
    photo.write_bytes(_png())
    page.set_input_files("#photo", photo)
    page.click("text=Keep it")
    page.wait_for_selector(".notes >> text=drip at the weight, left")
    assert page.locator(".notes img").count() == 1
    page.reload()
    page.wait_for_selector("#alarm:not([hidden])")
    page.click("text=End and judge")
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
        assert {"utc_s", "phase", "left_us", "power"} <= set(table.columns)
        assert b"FAIL: it leaks" in client.get("/runs/1/download/timeline").content
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


@pytest.mark.parametrize("dark", [False, True])
def test_no_page_breaks_the_accessibility_rules(
    service: Service, enter: Callable[..., Page], dark: bool
) -> None:
    """WCAG 2.2 AA as far as a machine can tell (axe-core); plots are left out where the library draws them."""
    from importlib import resources

    rules = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    page = enter(1024, dark=dark)
    session = page.context.new_cdp_session(page)
    session.send("Page.setBypassCSP", {"enabled": True})
    broken = []
    for path in PAGES:
        page.goto(service.url + path)
        page.wait_for_timeout(700)
        page.evaluate(rules)
        found = page.evaluate(
            "axe.run({exclude: [['.js-plotly-plot']]}, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
        )
        broken += [(path, v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert broken == []


def test_a_pad_check_walks_through_the_pads_and_an_unsound_one_needs_a_reason(
    service: Service, enter: Callable[..., Page]
) -> None:
    """Dry, a damp finger on each pad in turn, dry again; the right pad's lead is broken, and the run's page says why it was begun."""
    node, page = PadNode(service.broker.address, "b6"), enter(refused="422")
    node.say()
    page.goto(service.url + "/benches/b6")
    page.wait_for_function("document.querySelector('[data-pad=left] .pad-number').textContent.includes('µS')")
    page.click("#check")
    end = time.monotonic() + 70
    while "pad: it hardly answered" not in (said := page.inner_text("[data-show=check]")):
        assert time.monotonic() < end, said
        touched = next((zone for zone in ("left", "centre") if f"Touch the {zone} pad" in said), None)
        node.say(**({touched: 0.4} if touched else {}))
        time.sleep(0.5)
    assert said == "right pad: it hardly answered to a damp finger: clean it, and check its lead"

    page.reload()
    page.fill("#unit", "A-0600")
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("text=lands on the certificate")
    page.click("text=Back to where you were")
    page.fill("#override", "the floor slopes to the left")
    page.select_option("#plan", "find-leak")
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("text=End and judge")
    page.click("text=End and judge")
    page.wait_for_selector("text=the floor slopes to the left")
    node.stop()


def test_a_wet_pad_is_not_called_dry_and_no_run_begins_on_it(
    service: Service, enter: Callable[..., Page]
) -> None:
    """Soaked before anything was begun: the card, the page and the refusal say so."""
    node, page = PadNode(service.broker.address, "b5"), enter(refused="422")
    for _ in range(3):
        node.say(left=0.97)
        time.sleep(0.3)
    page.goto(service.url + "/benches/b5")
    page.wait_for_selector("[data-pad=left] >> text=not dry")
    assert "left pad: is not dry" in page.inner_text("main").lower()
    node.say(left=0.97)
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("h1:has-text('That did not work')")
    assert "left pad: is not dry" in page.inner_text("main")
    node.stop()


def test_two_people_back_and_forward_and_a_bench_that_vanishes(
    service: Service, enter: Callable[..., Page]
) -> None:
    """The second who begins is told; Back and Forward show what is so now; a bench gone silent in mid-run is not called dry."""
    node, first, second = PadNode(service.broker.address, "b4"), enter(), enter()
    node.say()
    for page in (first, second):
        page.goto(service.url + "/benches/b4")
    begin_a_run(first)
    second.wait_for_selector("text=End and judge")  # it shows what the other has begun, by itself
    token = second.get_attribute("meta[name=token]", "content")
    refused = second.request.post(
        service.url + "/benches/b4/begin",
        form={"token": str(token), "plan": "resale", "layout": "front-loader"},
    )
    assert refused.status == 409
    assert "is under way" in refused.text()

    first.goto(service.url + "/runs")
    first.go_back()
    first.wait_for_selector("text=End and judge")
    node.stop()
    first.wait_for_selector("#stale:not([hidden])", timeout=20_000)
    assert "not heard" in first.inner_text("[data-pad=left]")
    assert "Pads not heard" in first.inner_text("[data-show=headline]")
    first.click("text=Cancel the run")
    first.wait_for_selector("text=Begin a run")
    first.go_back()
    first.go_forward()
    first.wait_for_selector("text=Begin a run")


def test_a_pass_is_certified_on_its_page_and_taken_back(service: Service, enter: Callable[..., Page]) -> None:
    """Signed with name and passphrase; the paper carries it; a wrong passphrase and a second certificate are refused."""
    from soaktest.certificate.paper import token_of_pdf

    page = enter(refused="422")
    page.goto(service.url + "/runs/1")
    assert page.locator("text=Certify this run").count() == 0
    for passphrase, outcome in (
        ("wrong", "That did not work"),
        (PASSPHRASE, "Certificates"),
        (PASSPHRASE, "That did not work"),
    ):
        page.goto(service.url + "/runs/2")
        page.click("text=Certify this run")
        page.fill("#by", "R. Field")
        page.fill("#parts", "hose, two clips")
        page.fill("#passphrase", passphrase)
        page.click("text=Sign the certificate")
        page.wait_for_selector(f"h1:has-text('{outcome}')")
    page.goto(service.url + "/certificates")
    pdf = page.request.get(service.url + "/certificates/1/page").body()
    assert token_of_pdf(pdf).count(".") == 2
    page.click("text=Take it back")
    page.fill("#why-1", "unit came back leaking")
    page.click("text=Revoke certificate 1")
    page.wait_for_selector("td >> text=REVOKED")
    assert "unit came back leaking" in page.inner_text("main")
