"""How soon a long run is seen: ``python -m tests.benchmarks.viewing``.

A run of a day at ten samples a second is journaled and judged; then its page, its timeline and zooms are asked
for, by a service that has just been started and again by one that has seen the run before. Last, its page is
opened in a browser.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from fastapi.testclient import TestClient

from soaktest.bench import begin_run, judge_run
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.simulate.bench import Scenario, simulate
from soaktest.simulate.water import Leak
from soaktest.web.app import create_app
from tests.benchmarks.opening import look_in_a_browser


def main() -> None:
    """Print seconds of each step, and their ratio to the first look."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--washes", type=int, default=15, help="cotton washes; 15 are about a day")
    asked.add_argument("--openings", type=int, default=5, help="so often the page is opened in a browser")
    told = asked.parse_args()
    washes = told.washes
    with tempfile.TemporaryDirectory() as folder:
        journal = open_journal(f"sqlite:///{Path(folder) / 'journal.sqlite'}")
        recording, _ = simulate(
            Scenario(seed=7, programmes=("cotton",) * washes, leak=Leak("door-seal", 0.5), rate_hz=10.0)
        )
        began, ended = recording.header.began, recording.header.ended or 0.0
        messages = list(recording.messages)
        for i in range(0, len(messages), 2000):
            journal.keep(messages[i : i + 2000])
        run = begin_run(journal, recording.header, read_plan("resale"), read_layout("front-loader"))
        timed("judged", lambda: judge_run(journal, run.id))
        print(f"{(ended - began) / 3600:.1f} h at 10 Hz, {len(messages)} messages")
        for again in ("never drawn before", "drawn before, service just started"):
            print(again)
            look(journal, run.id, began, ended)
        journal.close()
        print(f"in a browser, medians of {told.openings}")
        look_in_a_browser(Path(folder), run.id, told.openings)


def look(journal: Journal, number: int, began: float, ended: float) -> None:
    """Page, timeline and zooms of a service that has just been started."""
    with TestClient(create_app(journal, lambda *_: None, None)) as client:
        timed("  the page", lambda: client.get(f"/runs/{number}").raise_for_status())
        timed("  its timeline", lambda: client.get(f"/api/runs/{number}/figure").raise_for_status())
        for name, share in (
            ("the first zoom", 0.5),
            ("a zoom to half", 0.5),
            ("a zoom to a tenth", 0.1),
            ("a zoom to a minute", 0.0007),
        ):
            end = began + share * (ended - began)
            path = f"/api/runs/{number}/window?start={began}&end={end}"
            timed(f"  {name}", lambda path=path: client.get(path).raise_for_status())  # type: ignore[misc]


def timed(what: str, do: object) -> None:
    begin = time.perf_counter()
    do()  # type: ignore[operator]
    print(f"{what}: {time.perf_counter() - begin:.3f} s", flush=True)


if __name__ == "__main__":
    main()
