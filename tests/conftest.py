"""The suite: unit (pure), service (real broker and database), browser (real Chromium), external (against
published sources), accuracy and benchmarks (figures by command, a smaller run here).

A test that needs a program skips where it is missing, and fails where SOAKTEST_REQUIRE_ALL is set.
"""

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from soaktest.recording import Recording, later
from soaktest.settings import BrokerAddress
from soaktest.simulate.bench import Truth, demo_scenario, simulate

# what a property test claims holds on a busy machine too: no example is timed
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def program(name: str) -> str:
    """Path of a real program that a test needs."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    if not found:
        if os.environ.get("SOAKTEST_REQUIRE_ALL"):
            pytest.fail(f"{name} is not installed, and SOAKTEST_REQUIRE_ALL is set")
        pytest.skip(f"{name} is not installed")
    return found


def free_port() -> int:
    """A port on loopback that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """A real Mosquitto on loopback, with persistence, that can be killed and started again."""

    def __init__(self, folder: Path, *, keeps: bool = True) -> None:
        self.address = BrokerAddress("127.0.0.1", free_port())
        self._path = program("mosquitto")
        self._config = folder / "mosquitto.conf"
        self._config.write_text(
            f"listener {self.address.port} 127.0.0.1\nallow_anonymous true\nuser root\nmax_queued_messages 100000\n"
            + (
                f"persistence true\npersistence_location {folder}/\nautosave_interval 1\nautosave_on_changes true\n"
                if keeps
                else ""
            )
        )
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._path, "-c", self._config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex((self.address.host, self.address.port)) == 0:
                    return
            time.sleep(0.05)
        raise RuntimeError("mosquitto did not start")

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(10)


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A Mosquitto of the test's own."""
    broker = Mosquitto(tmp_path)
    yield broker
    broker.stop()


@pytest.fixture(scope="session")
def demo() -> tuple[Recording, Truth]:
    """The simulated bench of the demonstration: a weeping dispenser-to-tub hose."""
    return simulate(demo_scenario())


@pytest.fixture(scope="session")
def dry() -> Recording:
    """The same bench without a leak."""
    return simulate(demo_scenario(leaking=False))[0]


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """No setting of the person at the keyboard reaches a test."""
    for name in list(os.environ):
        if name.startswith("SOAKTEST_") and name not in ("SOAKTEST_REQUIRE_ALL", "SOAKTEST_OPEN_DATA"):
            monkeypatch.delenv(name)


def present(recording: Recording, seconds: float, boot: bytes = b"n") -> Recording:
    """As much of a recording as would have been heard by now, had it begun so many seconds ago."""
    moved = later(recording, time.time() - seconds - recording.header.began, boot)
    header = moved.header.model_copy(update={"ended": None})
    return Recording(header, [m for m in moved.messages if m.at <= header.began + seconds])
