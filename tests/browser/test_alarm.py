"""The alarm in a real browser: what it says, when it sounds, what calms it; and the answer where there is none."""

import re
import time
from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Browser, Page

from tests.browser.serving import PASSWORD, PadNode, Service, begin_a_run, broken_rules, until

RINGS = "sound !== null"
LET_OUT_BY_THE_PUMP = """() => {
  const b = state[one.dataset.bench], judged = { cause: "leak", leak: 1, phase: "drain" };
  b.alarm.judged = Object.fromEntries(Object.keys(b.alarm.times).map(zone => [zone, judged]));
  showOne(b);
  return document.getElementById("alarm").innerText;
}"""


@pytest.fixture
def node(service: Service, request: pytest.FixtureRequest) -> Iterator[PadNode]:
    """A pad node on a bench of the test's own."""
    talking = PadNode(service.broker.address, f"alarm-{abs(hash(request.node.name)) % 10_000}")
    talking.say()
    yield talking
    talking.stop()


def hears(node: PadNode, seconds: float, watts: float | None = None, **wet: float) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        node.say(watts, **wet)
        time.sleep(0.5)


def at_bench(page: Page, service: Service, node: PadNode) -> None:
    """A run under way there, on a dry floor so far."""
    page.goto(f"{service.url}/benches/{node.topic.bench}")
    begin_a_run(page)
    hears(node, 8)


def test_the_bench_answers_in_large_letters_what_to_do_next(
    service: Service, node: PadNode, enter: Callable[..., Page]
) -> None:
    """Dry: ready, then how long to wait before the machine is started; the largest thing on the page."""
    page = enter()
    page.goto(f"{service.url}/benches/{node.topic.bench}")
    page.wait_for_selector("text=DRY – ready for a run")
    hears(node, 2, left=0.3)  # what damp air does
    page.wait_for_selector("text=/^DAMP at left since [0-9:]{8}, no water seen – let it dry before a run$/")
    assert page.inner_text("[data-pad=left] .pad-state") == "damp"
    hears(node, 1, left=1.0)
    page.wait_for_selector(
        "text=CANNOT TELL: left pad (shorted); no water at centre and right – mend that pad before a run"
    )
    assert page.inner_text("[data-pad=left] .pad-state") == "shorted"
    assert page.inner_text("[data-pad=left] .pad-number") == "–"
    hears(node, 1)
    page.wait_for_selector("text=DRY – ready for a run")
    assert page.locator("#check").count() == 1
    begin_a_run(page)
    hears(node, 5)
    page.wait_for_selector("text=/^DRY – wait (1 min )?[0-9]+ s, then start the machine$/")
    assert page.locator("#check").count() == 0  # a damp finger in mid-run would be its leak
    sizes = page.evaluate(
        "[document.querySelector('.say'), ...document.querySelectorAll('h1, h2, .pad-state')].map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert sizes[0] == max(sizes) >= 38
    page.wait_for_selector("#strip .annotation-text", timeout=15_000)
    band, word = page.evaluate(
        "['#strip .shapelayer path', '#strip .annotation-text'].map(s => document.querySelector(s).getBoundingClientRect()).map(r => [r.top, r.bottom])"
    )
    assert band[0] <= word[0] + 1
    assert word[1] <= band[1] + 1
    assert page.evaluate("document.getElementById('strip').layout.yaxis2.range") == [0, 50]
    refused = page.request.post(
        f"{service.url}/api/benches/{node.topic.bench}/pad-check",
        headers={"x-token": str(page.get_attribute("meta[name=token]", "content"))},
        data={zone: {"dry": 0.5, "touched": 50, "after": 0.5} for zone in ("left", "centre", "right")},
    )
    assert refused.status == 409
    assert "Check the pads before a run" in refused.text()


def other_pages_tell_of_it(page: Page, service: Service, node: PadNode) -> None:
    """A bar below each page's own answer, also once somebody has seen the water."""
    page.goto(service.url + "/units")
    page.wait_for_selector("#water:not([hidden])")
    assert f"bench {node.topic.bench}: left since " in page.inner_text("#water")
    assert broken_rules(page, service.url + "/units") == []
    page.goto(service.url + "/benches/b1")  # whoever stands at one bench is told of the others
    page.wait_for_selector("#water:not([hidden])")
    assert page.inner_text("#water").startswith("▲ Water on another bench: ")
    assert broken_rules(page, service.url + "/benches/b1") == []
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(
        service.url + "/runs/1"
    )  # the page's own answer stands first, and the bar is in view all the same
    page.wait_for_selector("#water:not([hidden])")
    assert page.inner_text("#water").startswith("▲ Water now, not in this run: ")
    head, bar = page.locator("h1").bounding_box(), page.locator("#water").bounding_box()
    assert head is not None
    assert bar is not None
    assert head["y"] + head["height"] <= bar["y"] <= 844 - bar["height"]
    page.click(f"#water a[href='/benches/{node.topic.bench}']")
    page.click("#seen")
    page.wait_for_selector("#seen:disabled")
    page.goto(service.url + "/units")
    page.wait_for_selector("#water.calm:not([hidden])")  # it is still there
    assert ", seen" in page.inner_text("#water")


def test_a_leak_looks_alike_on_both_pages_and_can_be_ended_at_once(
    service: Service, node: PadNode, enter: Callable[..., Page]
) -> None:
    """The red box with its triangle, water and plugs first; no list of what a leaking machine still needs; End in view."""
    page = enter()
    at_bench(page, service, node)
    hears(node, 2, left=0.5)
    for path in ("/", f"/benches/{node.topic.bench}", "/runs"):
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert broken_rules(page, service.url + path) == []
    for width, height in ((1280, 800), (1024, 768), (390, 844)):
        page.set_viewport_size({"width": width, "height": height})
        page.goto(f"{service.url}/benches/{node.topic.bench}")
        page.wait_for_selector("#alarm:not([hidden])")
        told = page.inner_text("#alarm")
        assert told.startswith(f"▲ Bench {node.topic.bench}: water at left since ")
        assert page.title() == f"▲ WET: Bench {node.topic.bench}"
        assert (
            "Hands dry; if water is near a plug or lead, switch off at the residual-current device first."
            in told
        )
        assert "Stop the programme, drain, unplug." in told
        pumped = page.evaluate(LET_OUT_BY_THE_PUMP)
        assert "A leak: it came out of the machine while it drained." in pumped
        assert "Do not drain it by the pump" in pumped
        assert "Stop the programme, drain" not in pumped
        page.wait_for_selector("#needs[hidden]", state="attached")
        end = page.locator("button >> text=End and judge").bounding_box()
        assert end is not None
        assert "main" not in (
            page.get_attribute("#end", "class") or ""
        )  # the plan needs more, and water is stopped first
        assert end["y"] + end["height"] <= height
        red = page.evaluate("getComputedStyle(document.querySelector('#alarm')).backgroundColor")

        page.goto(service.url + "/")
        card = page.locator(f"[data-bench={node.topic.bench}]")
        card.locator(".alarm:not([hidden])").wait_for()
        assert card.locator(".alarm").inner_text().startswith("▲ Water at left since ")
        assert card.locator(".alarm").evaluate("e => getComputedStyle(e).backgroundColor") == red
        assert "still needed" not in card.inner_text()
        assert re.search(r"\(\d+\s(s|min)\)", card.locator(".alarm-head").inner_text())
        fill = card.locator("[data-pad=left] .fill")
        until(lambda: fill.evaluate("e => e.getBoundingClientRect().height") > 15, 2)  # noqa: B023
        assert "% wet" in card.locator("[data-pad=left]").inner_text()
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    other_pages_tell_of_it(page, service, node)
    page.goto(f"{service.url}/benches/{node.topic.bench}")
    page.click("text=Cancel the run")  # or it would ring on the page of all benches in other tests
    page.wait_for_selector("text=Begin a run")


def test_a_slow_tap_does_what_it_was_meant_for(
    service: Service, node: PadNode, enter: Callable[..., Page]
) -> None:
    """The first press lets the sound begin, and news arrives under the finger: nothing moves away before it is lifted."""
    page = enter(390)
    page.goto(f"{service.url}/benches/{node.topic.bench}")
    page.wait_for_selector("text=DRY – ready for a run")
    page.select_option("#plan", "repair-check")
    button = page.locator("text=Begin on a dry floor")
    button.scroll_into_view_if_needed()
    asked = page.evaluate("audio.state") != "running"
    assert page.locator("#sound").is_visible() == asked
    place = button.bounding_box()
    assert place is not None
    page.mouse.move(place["x"] + place["width"] / 2, place["y"] + 5)
    page.mouse.down()
    page.evaluate("Object.values(state).forEach(b => { b.stale = true; b.age_s = 7200; }); show()")
    page.wait_for_timeout(200)
    assert "DRY – ready" in page.inner_text("[data-show=headline]")
    page.mouse.up()
    page.wait_for_selector("button >> text=End and judge")

    hears(node, 8)
    ends = page.locator("button >> text=End and judge")
    before = ends.bounding_box()
    hears(node, 2, left=0.5)
    page.wait_for_selector("#alarm:not([hidden])")
    assert ends.bounding_box() == before
    page.click("text=Cancel the run")
    page.wait_for_selector("text=Begin a run")


def test_it_sounds_after_a_tap_on_either_page_until_it_is_muted_or_seen(
    service: Service, node: PadNode, browser: Browser
) -> None:
    """The page says that it may not sound yet; muted on one page, muted on the other; new water rings anew once it was seen."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.on("dialog", lambda d: d.accept())
    page.request.post(service.url + "/door", form={"password": PASSWORD})
    at_bench(page, service, node)
    hears(node, 1, left=0.5)
    page.goto(f"{service.url}/benches/{node.topic.bench}")
    page.wait_for_selector("#alarm:not([hidden])")
    if page.evaluate("audio.state") != "running":
        assert not page.is_visible("#sound")
        assert not page.evaluate(RINGS)
        page.click("#mute >> text=Sound is off: turn it on")  # and this tap does not mute it
    page.mouse.click(5, 400)
    page.wait_for_selector("#sound[hidden]", state="attached")
    until(lambda: page.evaluate(RINGS), 5)

    page.click("#mute >> text=Mute this alarm")
    page.wait_for_selector("text=Muted: sound again")
    assert not page.evaluate(RINGS)
    page.click("nav >> text=Benches")
    page.wait_for_selector("#mute >> text=Muted: sound again")
    assert not page.evaluate(RINGS)
    page.click("#mute")
    until(lambda: page.evaluate(RINGS), 5)

    page.click(f"[data-bench={node.topic.bench}]")
    page.wait_for_selector("#alarm:not([hidden])")
    page.click("#seen:not(:disabled)")
    page.wait_for_selector("#seen:disabled >> text=/^Seen [0-9:]{8}, the sound is off$/")
    assert not page.evaluate(RINGS)
    loud, calm = (
        "rgb(179, 38, 30)",
        page.evaluate("getComputedStyle(document.querySelector('#alarm')).backgroundColor"),
    )
    assert calm != loud
    hears(node, 2, left=0.5, right=0.5)
    page.wait_for_selector("#seen:not(:disabled)")
    assert page.evaluate("getComputedStyle(document.querySelector('#alarm')).backgroundColor") == loud
    until(lambda: page.evaluate(RINGS), 5)

    page.click("#mute")  # muted for this run: the next one sounds again
    page.click("text=Cancel the run")
    page.wait_for_selector("text=Begin a run")
    begin_a_run(page)
    hears(node, 8)
    hears(node, 1, left=0.5)
    page.wait_for_selector("#alarm:not([hidden])")
    page.mouse.click(5, 400)
    until(lambda: page.evaluate(RINGS), 5)
    context.close()


def test_a_machine_that_works_on_a_wet_pad_without_a_run_sounds_until_it_is_muted_or_rests(
    service: Service, node: PadNode, browser: Browser
) -> None:
    """Nobody began a run, and it leaks all the same; the mute button stands below the answer, and holds for this water only."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.request.post(service.url + "/door", form={"password": PASSWORD})
    page.goto(f"{service.url}/benches/{node.topic.bench}")
    page.mouse.click(5, 400)

    hears(node, 2, 150.0, left=0.9)
    page.wait_for_selector("#alarm >> text=/The machine is on and no test run was begun/")
    assert re.search(rf"Bench {node.topic.bench}: water at left since [0-9:]{{8}}", page.inner_text("#alarm"))
    assert "Stop the programme, drain, unplug." in page.inner_text("#alarm")
    assert page.is_hidden("text=Begin on a dry floor")
    until(lambda: page.evaluate(RINGS), 5)
    other = context.new_page()  # whoever looks at something else is told of it too
    other.goto(service.url + "/units")
    hears(node, 2, 150.0, left=0.9)
    other.wait_for_selector("#water:not([hidden])")
    assert re.search(
        rf"bench {node.topic.bench}: left since [0-9:]{{8}}, machine on, no test run: take it for a leak",
        other.inner_text("#water"),
    )
    other.close()
    page.bring_to_front()
    page.click("#seen + #mute >> text=Mute this alarm")
    hears(node, 2, 150.0, left=0.9)
    page.wait_for_selector("text=Muted: sound again")
    assert not page.evaluate(RINGS)
    hears(node, 2, 150.0)
    page.wait_for_selector("#mute", state="hidden")
    hears(node, 2, 150.0, left=0.9)
    until(lambda: page.evaluate(RINGS), 5)
    context.close()


def test_wet_benches_are_listed_before_the_first_scrolling(
    service: Service, node: PadNode, enter: Callable[..., Page]
) -> None:
    """Each with where and since when, the newest first, and what to do once for all; one alone has its card."""
    other = PadNode(service.broker.address, "alarm-second")
    page = enter(390)
    page.goto(service.url + "/")
    hears(node, 2, 150.0, left=0.9)
    page.wait_for_selector(f"[data-bench={node.topic.bench}] .alarm:not([hidden])")
    for _ in range(6):
        node.say(150.0, left=0.9)
        other.say(150.0, right=0.9)
        time.sleep(0.5)
    page.wait_for_selector("#wet-now:not([hidden])")
    lines = [
        line
        for line in page.inner_text("#wet-now ul").split("\n")
        if node.topic.bench in line or "second" in line
    ]
    assert re.match(
        r"bench alarm-second: right since [0-9:]{8} \([0-9]+\ss\), machine on, no test run: take it for a leak",
        lines[0],
    )
    assert re.match(rf"bench {node.topic.bench}: left since [0-9:]{{8}}", lines[1])
    assert page.inner_text("#wet-now").count("residual-current device") == 1
    assert broken_rules(page, service.url + "/") == []
    for _ in range(4):
        node.say(0.0)
        other.say(0.0)
        time.sleep(0.5)
    page.wait_for_selector(f"[data-bench={node.topic.bench}] .alarm", state="hidden")
    other.stop()


def test_water_at_rest_and_what_fell_silent_while_wet_are_listed_by_themselves(
    service: Service, node: PadNode, enter: Callable[..., Page]
) -> None:
    """Nobody is alarmed by them, and nobody is to miss them; a bench's own page says what it last told."""
    rests, falls = (PadNode(service.broker.address, name) for name in ("alarm-rest", "alarm-silent"))
    page = enter()
    page.goto(service.url + "/")
    for _ in range(6):
        node.say()
        rests.say(right=0.9)
        falls.say(left=0.9)
        time.sleep(0.5)
    falls.stop()
    at_rest = re.compile(r"^bench alarm-rest: right since [0-9:]{8} .*, no test run$")
    page.locator("#look-now a", has_text=at_rest).wait_for()
    silent = re.compile(r"nothing heard for .*\sBefore that: left WET from [0-9:]{8}, centre and right dry")
    page.locator("#silent-now a[href='/benches/alarm-silent']", has_text=silent).wait_for(timeout=40_000)
    assert broken_rules(page, service.url + "/") == []
    page.goto(service.url + "/benches/alarm-silent")
    page.locator("[data-show=headline]", has_text=silent).wait_for(timeout=40_000)
    rests.say()
    rests.stop()


def test_all_who_look_read_the_clock_of_the_bench(
    service: Service, node: PadNode, enter: Callable[..., Page]
) -> None:
    """A tablet of another time zone shows the same times as the server's tables, and each page names the offset."""
    page = enter(zone="Asia/Kathmandu")
    page.goto(f"{service.url}/benches/{node.topic.bench}")
    offset = float(str(page.get_attribute("meta[name=utc-offset]", "content")))
    assert page.evaluate("clock(1764000000.0)") == time.strftime(
        "%H:%M:%S", time.gmtime(1764000000.0 + offset)
    )
    assert "Times are those of the bench's clock, UTC" in page.inner_text("footer")
