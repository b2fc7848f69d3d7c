"""``soaktest serve`` as a process, and a pad node that publishes to its broker."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Page

from soaktest.certificate.keys import make_key
from soaktest.journal import open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import later
from soaktest.replay import replay
from soaktest.settings import BrokerAddress
from soaktest.simulate.bench import demo_scenario, simulate
from soaktest.wire import Pack, Topic, build_about, build_readings
from tests.conftest import Mosquitto, free_port

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
        self._env = {
            **os.environ, "SOAKTEST_DATA": str(folder), "SOAKTEST_BROKER": str(self.broker.address), "SOAKTEST_PASSWORD": PASSWORD,
        }  # fmt: skip
        self._serve()

    def _serve(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "soaktest.cli", "serve", "--port", str(self.port)],
            env=self._env,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        until(lambda: answers(self.url), 30)

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

    def restart(self) -> None:
        """The same service on the same port; who was in has to come in anew."""
        self._end()
        self._serve()

    def _end(self) -> None:
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.wait(15)
        finally:
            self._process.kill()

    def stop(self) -> None:
        self._end()
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

    def say(self, watts: float | None = None, **wet: float) -> float:
        """Publish one pack, with the machine's power where that is given; a wet pad's ratio by its name. Returns when the broker had it."""
        times = [-0.8, -0.6, -0.4, -0.2, 0.0]
        samples = {zone: (times, [wet.get(zone, DRY)] * 5) for zone in ("left", "centre", "right")}
        if watts is not None:
            samples["power"] = (times, [watts] * 5)
        pack = Pack("live", self.seq, 10.0 + time.monotonic() - self.began, absolute=False, samples=samples)
        self.seq += 1
        self._client.publish(str(self.topic), build_readings(self.topic, pack), qos=1).wait_for_publish(10)
        return time.monotonic()

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def answers(url: str) -> bool:
    """Whether a service is up at an address."""
    try:
        return httpx.get(url + "/door").status_code == 200
    except httpx.TransportError:
        return False


def begin_a_run(page: Page) -> None:
    """On the page of a bench, a short check of unit A-0500."""
    page.fill("#unit", "A-0500")
    page.select_option("#plan", "repair-check")
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("button >> text=End and judge")


def broken_rules(page: Page, address: str) -> list[tuple[str, str, str]]:
    """What breaks WCAG 2.2 AA on a page as far as a machine can tell (axe-core); plots are left out."""
    from importlib import resources

    rules = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    session = page.context.new_cdp_session(page)
    session.send("Page.setBypassCSP", {"enabled": True})
    page.goto(address)
    page.wait_for_timeout(700)
    page.evaluate(rules)
    found = page.evaluate(
        "axe.run({exclude: [['.js-plotly-plot']]}, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
    )
    session.detach()
    return [(address, fault["id"], fault["nodes"][0]["html"][:120]) for fault in found["violations"]]


def until(what: Callable[[], bool], seconds: float) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "did not happen in time"
        time.sleep(0.05)
