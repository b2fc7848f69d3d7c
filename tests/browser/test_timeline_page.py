"""The timeline page in a real browser: no network, no error, readable at three widths, small enough."""

import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import plotly.offline
import pytest
from playwright.sync_api import Browser

from soaktest.analysis.analyse import examine
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Recording, later
from soaktest.simulate.bench import Scenario, Truth, demo_scenario, simulate
from soaktest.simulate.nodes import Network
from soaktest.timeline import timeline_figure, timeline_page, write_timeline

LAYOUT = read_layout("front-loader")


@pytest.mark.parametrize("width", [1280, 1024, 390])
def test_the_page_answers_without_a_network(
    browser: Browser, tmp_path: Path, demo: tuple[Recording, Truth], width: int
) -> None:
    """Verdict, place and time are in the first view; phases are drawn; nothing is asked of any host."""
    path = write_timeline(examine(demo[0], LAYOUT, read_plan("repair-check")), tmp_path / "t.html")
    page = browser.new_page(viewport={"width": width, "height": 768})
    asked: list[str] = []
    errors: list[str] = []
    page.on(
        "request",
        lambda r: asked.append(r.url) if not r.url.startswith(("file:", "data:", "blob:")) else None,
    )
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.on("console", lambda m: errors.append(m.text) if m.type == "error" else None)

    page.goto(path.as_uri())
    page.wait_for_selector(".js-plotly-plot .barlayer path")

    assert page.inner_text("h1") == "FAIL: it leaks"
    assert ": left from " in page.inner_text(".answer")
    box = page.locator(".answer").bounding_box()
    assert box is not None
    assert box["y"] < 300
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.click("text=left wet")
    page.wait_for_timeout(300)
    shown = page.evaluate(
        "(d => new Date(d[1]) - new Date(d[0]))(document.querySelector('.js-plotly-plot').layout.xaxis.range)"
    )
    assert shown == 480_000
    assert page.locator(".barlayer .point").count() > 5
    assert (asked, errors) == ([], [])
    page.close()


def test_phase_bands_stand_at_their_times(
    browser: Browser, tmp_path: Path, demo: tuple[Recording, Truth]
) -> None:
    """The first band begins at the run's beginning and the bands cover the run without overlap."""
    path = write_timeline(examine(demo[0], LAYOUT, read_plan("repair-check")), tmp_path / "t.html")
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(path.as_uri())
    page.wait_for_selector(".barlayer path")
    boxes = page.evaluate(
        "[...document.querySelectorAll('.barlayer .point path')].map(p => p.getBoundingClientRect()).map(r => [r.left, r.right])"
    )
    page.close()
    boxes.sort()

    assert all(a[1] <= b[0] + 2 for a, b in pairwise(boxes))
    assert boxes[-1][1] - boxes[0][0] > 900


def test_two_hours_stay_small() -> None:
    """A two-hour run at 10 Hz is under 3 MB beside Plotly's own script."""
    recording, _ = simulate(Scenario(seed=5, programmes=("cotton", "cotton"), rate_hz=10.0, plan="resale"))
    page = timeline_page(examine(recording, LAYOUT, read_plan("resale")))

    assert recording.header.ended is not None
    assert recording.header.ended - recording.header.began > 7200
    assert len(page.encode()) - len(plotly.offline.get_plotlyjs().encode()) < 3_000_000


def test_names_from_outside_are_escaped(demo: tuple[Recording, Truth]) -> None:
    """A unit's tag is text, never markup."""
    recording, _ = demo
    evil = Recording(
        recording.header.model_copy(update={"unit": "<script>alert(1)</script>"}), recording.messages
    )

    page = timeline_page(examine(evil, LAYOUT, read_plan("repair-check")))

    assert "<script>alert(1)" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_a_run_that_heard_nothing_still_has_a_page(
    browser: Browser, tmp_path: Path, demo: tuple[Recording, Truth]
) -> None:
    """Empty states are said in words."""
    header = demo[0].header
    path = write_timeline(examine(Recording(header, []), LAYOUT, read_plan("resale")), tmp_path / "t.html")
    page = browser.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector(".js-plotly-plot .annotation-text")
    words = page.inner_text("body") + page.locator(".js-plotly-plot").inner_text()
    page.close()

    assert "No pad was heard" in words
    assert "No phase signal was heard" in words
    assert "No wet event" in words


def test_no_line_is_drawn_over_a_silence() -> None:
    """A node that was dead for 80 s leaves a break in every one of its lines."""
    quiet = Scenario(seed=419, network=Network(silent=(900.0, 980.0)))
    figure = timeline_figure(examine(simulate(quiet)[0], LAYOUT, read_plan("repair-check")))
    lines = [t for t in figure.data if t.type == "scatter" and t.opacity is None]

    assert len(lines) == 7
    assert [t.hovertemplate for t in lines if not np.isnan(np.asarray(t.y, dtype=float)).any()] == []


def test_lines_bands_and_marks_agree_over_a_change_of_clocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run begun an hour before clocks go back: one offset for all of it, that of its beginning, told to the page."""
    recording, _ = simulate(demo_scenario())
    change = 1_792_890_000.0  # 25 October 2026, 01:00 UTC
    moved = later(recording, change - 300.0 - recording.header.began, b"n")
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    try:
        figure = timeline_figure(examine(moved, LAYOUT, read_plan("repair-check")))
    finally:
        monkeypatch.undo()
        time.tzset()

    assert figure.layout.meta == {"utc_offset_s": 7200.0}
    low, high = (np.datetime64(t) for t in figure.layout.xaxis.range)
    assert (high - low) / np.timedelta64(1, "s") == pytest.approx(
        (recording.header.ended or 0.0) - recording.header.began, abs=1
    )
    power = next(t for t in figure.data if t.name == "power")
    first, last = (np.datetime64(int(power.x[i]), "ms") for i in (0, -1))
    assert low <= first
    assert abs((high - last) / np.timedelta64(1, "s")) < 10
    spin = next(t for t in figure.data if t.type == "bar" and t.name == "spin")
    assert low < np.datetime64(spin.base[-1]) < high


def test_a_dry_run_looks_dry() -> None:
    """The pads' axis spans dry to soaked, with labels, so that noise is not blown up to the full height."""
    figure = timeline_figure(examine(simulate(Scenario(seed=418))[0], LAYOUT, read_plan("repair-check")))
    low, high = figure.layout.yaxis2.range

    assert high - low >= 4
    assert all(
        low < np.log10(np.nanmin(t.y)) and np.log10(np.nanmax(t.y)) < high
        for t in figure.data
        if t.name and t.name.endswith(" pad")
    )
