"""The timeline's window: near and whole again by buttons, left alone by a finger, downloaded as a picture."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Route

from tests.browser.serving import PASSWORD, Service

PHASES = ("idle", "fill", "wash", "heat", "rinse", "drain", "spin")
LOOK = """([...document.querySelectorAll("#timeline, .side")].map(box => ({
    kind: box._fullLayout.xaxis.type, range: box.layout.xaxis.range.map(t => Date.parse(t) / 1000),
    bars: [...box.querySelectorAll(".barlayer .point path")].map(p => p.getBoundingClientRect()).map(r => [Math.round(r.left), Math.round(r.right)])
})))"""


def press(page: Page, title: str) -> Any:
    page.click(f"#windows >> text={title}")
    page.wait_for_timeout(700)
    return page.evaluate(LOOK)


def test_a_zoom_keeps_the_phases_and_the_whole_run_comes_back(
    service: Service, enter: Callable[..., Page]
) -> None:
    """The time axis stays one of dates, so that bands stand at their times; near, wide, earlier and later by buttons."""
    page = enter()
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("#timeline[data-ready]")
    lines = "timeline._fullData.filter(t => t.type === 'scatter').map(t => [t.name, [...(t.x ?? [])], [...(t.y ?? [])]])"
    drawn = page.evaluate(lines)
    (whole,) = page.evaluate(LOOK)
    (near,) = press(page, "left wet")

    assert near["kind"] == whole["kind"] == "date"
    (low, high), (first, last) = near["range"], whole["range"]
    stretch = (last - first) / (high - low)
    assert len(whole["bars"]) > 8
    assert 3 <= len(near["bars"]) <= len(whole["bars"])  # those in view, and as far again to either side
    for a_near, b_near in near["bars"]:
        assert any(abs((b - a) * stretch - (b_near - a_near)) < 2 * stretch for a, b in whole["bars"])
    assert press(page, "Whole run") == [whole]
    assert page.evaluate(lines) == drawn  # each line its own, the dry levels too

    width = last - first
    (half,) = press(page, "Nearer")
    assert half["range"] == [first + width / 4, last - width / 4]
    assert press(page, "Later")[0]["range"] == [first + width / 2, last]
    assert press(page, "Later")[0]["range"] == [first + width / 2, last]
    assert press(page, "Earlier")[0]["range"] == half["range"]
    assert press(page, "Wider") == [whole]
    page.locator("#timeline .nsewdrag").first.scroll_into_view_if_needed()
    box = page.locator("#timeline .nsewdrag").first.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 300, box["y"] + 20)
    page.mouse.down()
    page.mouse.move(box["x"] + 500, box["y"] + 20, steps=4)
    page.mouse.up()
    page.wait_for_timeout(700)
    (dragged,) = page.evaluate(LOOK)
    assert dragged["kind"] == "date"
    assert dragged["range"][0] < first - 60


def test_what_is_under_the_mouse_is_told_in_words_after_a_zoom_too(
    service: Service, enter: Callable[..., Page]
) -> None:
    """Every pad with its unit, at a time to the second."""
    page = enter()
    page.set_viewport_size({"width": 1280, "height": 1700})
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("#timeline[data-ready]")
    for title in (None, "left wet"):
        if title:
            press(page, title)
        box = page.locator(
            "#timeline .xy2 .nsewdrag, #timeline .nsewdrag[data-subplot=xy2]"
        ).first.bounding_box()
        assert box is not None
        for share in (0.5, 0.6):
            page.mouse.move(box["x"] + share * box["width"], box["y"] + box["height"] / 2, steps=4)
        page.wait_for_selector("#timeline .hoverlayer text")
        when, *said = page.locator("#timeline .hoverlayer text").all_text_contents()

        assert re.fullmatch(r"\d\d \w{3} \d{4}, \d\d:\d\d:\d\d", when)
        assert [re.sub(r"[\d.e+-]+ µS", "µS", words) for words in said] == [
            "left µS",
            "centre µS",
            "right µS",
        ]


@pytest.mark.parametrize(("width", "dark"), [(1280, False), (390, True)])
def test_a_still_stands_where_the_lines_will(
    service: Service, enter: Callable[..., Page], width: int, *, dark: bool
) -> None:
    """Held back, the plotting library leaves curves, phases and words to be seen, and they stay at their times as it comes."""
    page = enter(width, dark=dark)
    held: list[Route] = []
    page.route("**/static/plotly.js", lambda route: held.append(route))  # noqa: PLW0108, a bound append is refused
    page.goto(service.url + "/runs/1", wait_until="commit")
    page.wait_for_selector(".still", state="attached")
    assert "Power, W" in (page.text_content(".still") or "")
    still = page.evaluate(sides_of(".still path", ".still rect"))
    assert not page.evaluate("'Plotly' in window")
    page.wait_for_timeout(200)
    for route in held:
        route.continue_()
    page.wait_for_selector("#timeline[data-ready]")
    assert not page.locator(".still").count()
    drawn = page.evaluate(
        sides_of(
            *(f":is(#timeline, .side) {kind}" for kind in (".scatterlayer .js-line", ".barlayer .point path"))
        )
    )
    assert [len(found) >= 8 for found in drawn] == [True, True]
    for before, after in zip(still, drawn, strict=True):
        assert len(before) == len(after)
        for (low, high), (left, right) in zip(sorted(before), sorted(after), strict=True):
            assert abs(low - left) <= 2
            assert abs(high - right) <= 2


def test_a_plotting_script_that_does_not_arrive_is_told(service: Service, browser: Browser) -> None:
    """The still and the explanations are there all the same, and no button promises what cannot be done."""
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.request.post(service.url + "/door", form={"password": PASSWORD})
    page.route("**/static/plotly.js", lambda route: route.abort())
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("text=The lines do not answer to the hand")
    page.wait_for_selector("#whys >> text=Why: left pad")
    assert page.locator(".still path").count() > 5
    assert page.locator("#windows button:enabled, [data-image]:enabled").count() == 0
    page.context.close()


def sides_of(*selectors: str) -> str:
    """A script: for each selector where what it finds on the page begins and ends from left to right (px)."""
    one = "[...document.querySelectorAll('{}')].map(e => e.getBoundingClientRect()).filter(r => r.width).map(r => [r.left, r.right])"
    return "[" + ", ".join(one.format(s) for s in selectors) + "]"


def test_two_runs_zoom_together_and_back(service: Service, enter: Callable[..., Page]) -> None:
    """Both keep their dates and their bands, and both are whole again."""
    page = enter()
    page.goto(service.url + "/compare?a=1&b=2")
    for side in ("section:first-child", "section:last-child"):
        page.wait_for_selector(f"{side} > .side[data-ready]")
    page.wait_for_timeout(1000)
    scales = page.evaluate(
        """[...document.querySelectorAll('.side')].map(s => s.data.filter(t => t.type === 'scatter' && !['y', 'y2'].includes(t.yaxis ?? 'y'))
            .map(t => [t.name, s.layout[t.yaxis.replace('y', 'yaxis')].range]))"""
    )
    assert scales[0] == scales[1]
    assert {name for name, _ in scales[0]} >= {"power", "vibration"}
    assert page.evaluate(
        "[...document.querySelectorAll('.side')].every(s => s.layout.yaxis.range[1] - s.layout.yaxis.range[0] >= 0.8)"
    )  # the phases' words stand in the middle of their row
    whole = page.evaluate(LOOK)
    near = press(page, "Nearer")

    assert [side["kind"] for side in near] == ["date", "date"]
    assert all(
        2 * (s["range"][1] - s["range"][0]) == w["range"][1] - w["range"][0]
        for s, w in zip(near, whole, strict=True)
    )
    assert near != whole
    assert press(page, "Whole run") == whole


def test_pictures_are_downloaded_by_their_buttons(
    service: Service, enter: Callable[..., Page], tmp_path: Path
) -> None:
    """A PNG that opens and an SVG that parses, with every phase in words, after a zoom and back as well."""
    page = enter()
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("#timeline[data-ready]")
    press(page, "left wet")
    press(page, "Whole run")
    for kind in ("png", "svg"):
        with page.expect_download() as told:
            page.click(f"[data-image={kind}]")
        assert told.value.suggested_filename == f"run-1.{kind}"
        told.value.save_as(tmp_path / f"picture.{kind}")

    with Image.open(tmp_path / "picture.png") as picture:
        assert (picture.format, picture.width) == ("PNG", 1400)
        assert len(set(picture.convert("RGB").resize((70, 50)).getdata())) > 20
    words = {text.strip() for text in ET.parse(tmp_path / "picture.svg").getroot().itertext()}
    assert set(PHASES) <= words


def test_a_finger_on_the_timeline_scrolls_the_page(service: Service, enter: Callable[..., Page]) -> None:
    """A swipe that begins on phases, pads or power moves the page and no window; nothing lies over the legend."""
    page = enter(390, touch=True)
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("#timeline[data-ready]")
    assert page.locator(".modebar").count() == 0
    session = page.context.new_cdp_session(page)
    before = page.evaluate("timeline.layout.xaxis.range")
    for y in (150, 400, 620):
        page.evaluate("timeline.scrollIntoView()")
        start = page.evaluate("scrollY")
        session.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": 200, "y": y}]})
        for step in range(1, 11):
            at = {"x": 200, "y": y - 10 * step}
            session.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [at]})
            page.wait_for_timeout(16)
        session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        page.wait_for_timeout(300)
        assert page.evaluate("scrollY") > start + 60
        assert page.evaluate("timeline.layout.xaxis.range") == before

    labels = page.evaluate(
        "[...document.querySelectorAll('#timeline .annotation-text-g')].map(e => e.getBoundingClientRect()).map(r => [r.left, r.right])"
    )
    assert all(left >= 0 and right <= 390 for left, right in labels)
    (near,) = press(page, "centre wet")
    assert near["range"][1] - near["range"][0] == 480


def test_what_is_drawn_on_black_is_seen(service: Service, enter: Callable[..., Page]) -> None:
    """Every line of the dark timeline has a contrast of 3:1 or more against its ground, and labels stand on dark paper."""
    page = enter(dark=True)
    page.goto(service.url + "/runs/1")
    page.wait_for_selector("#timeline[data-ready]")
    ground, lines = page.evaluate(
        "[timeline.layout.plot_bgcolor, timeline.data.filter(t => t.line && t.opacity == null).map(t => t.line.color)]"
    )
    assert len(lines) >= 4
    assert min(contrast(line, ground) for line in lines) >= 3.0
    papers = page.evaluate(
        "timeline.layout.annotations.filter(a => a.name?.startsWith('sided')).map(a => a.bgcolor)"
    )
    assert set(papers) == {"rgba(29,34,39,.85)"}


def contrast(a: str, b: str) -> float:
    """By WCAG 2.2, of two colours such as ``#0072b2``."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)
