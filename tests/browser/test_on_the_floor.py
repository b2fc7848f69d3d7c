"""What goes on at a bench and after it: pad checks, wet pads, two people at once, certificates."""

import time
from collections.abc import Callable

from playwright.sync_api import Page

from tests.browser.serving import PASSPHRASE, PASSWORD, PadNode, Service, begin_a_run


def test_a_pad_check_walks_through_the_pads_and_an_unsound_one_needs_a_reason(
    service: Service, enter: Callable[..., Page]
) -> None:
    """Dry, a damp finger on each pad in turn, dry again; the right pad's lead is broken, and the run's page says why it was begun."""
    node, page = PadNode(service.broker.address, "b6"), enter(refused="422")
    node.say()
    page.goto(service.url + "/benches/b6")
    page.wait_for_function(
        "() => document.querySelector('[data-pad=left] .pad-number').textContent.includes('µS')"
    )
    page.click("#check")
    end = time.monotonic() + 70
    while "pad: it hardly answered" not in (said := page.inner_text("[data-show=check]")):
        assert time.monotonic() < end, said
        touched = next(
            (zone for zone in ("left", "centre") if f"Touch the {zone} pad and keep" in said), None
        )
        node.say(**({touched: 0.4} if touched else {}))
        time.sleep(0.5)
    assert said == "right pad: it hardly answered to a damp finger: clean it, and check its lead"
    page.wait_for_selector(
        "[data-show=headline]:has-text('Reads DRY – not ready for a run: right pad: it hardly answered')"
    )

    page.wait_for_selector("#override")  # the page asks for a reason by itself
    page.fill("#unit", "A-0600")
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("h1:has-text('That did not work')")
    assert "lands on the certificate" in page.inner_text("main")
    page.click("text=Back to where you were")
    page.fill("#override", "the floor slopes to the left")
    page.select_option("#plan", "find-leak")
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("button >> text=End and judge")
    page.click("button >> text=End and judge")
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
    page.wait_for_selector("[data-pad=left] >> text=WET")
    assert "Left pad is not dry" in page.inner_text("main")
    assert "µS): dry it first. Put that right, check the pads or load this page again;" in page.inner_text(
        "main"
    )
    page.wait_for_selector(
        "text=/^WET: left since [0-9:]{8} \\([0-9]+\\s(s|min)\\), no test run – look where it comes from, then dry it$/"
    )
    page.click("text=Begin the check")
    page.wait_for_selector("text=Dry the left pad first.")
    node.say(left=0.97)
    page.click("text=Begin on a dry floor")
    page.wait_for_selector("h1:has-text('That did not work')")
    assert "Left pad is not dry" in page.inner_text("main")
    node.stop()


def test_a_page_left_open_over_a_restart_asks_for_the_password_and_comes_back(
    service: Service, enter: Callable[..., Page]
) -> None:
    """Its session is gone, and the browser tries no more by itself: the page goes to the door, and from there back."""
    page = enter(refused="Failed to load resource")
    page.goto(service.url + "/benches/b3")
    page.wait_for_selector("text=Begin a run")
    service.restart()
    page.wait_for_selector("#password", timeout=30_000)
    page.fill("#password", PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Bench b3')")


def test_two_people_back_and_forward_and_a_bench_that_vanishes(
    service: Service, enter: Callable[..., Page]
) -> None:
    """The second who begins is told; Back and Forward show what is so now; a bench gone silent in mid-run is not called dry."""
    node, first, second = PadNode(service.broker.address, "b4"), enter(), enter()
    node.say()
    for page in (first, second):
        page.goto(service.url + "/benches/b4")
    begin_a_run(first)
    second.wait_for_selector("button >> text=End and judge")  # it shows what the other has begun, by itself
    token = second.get_attribute("meta[name=token]", "content")
    refused = second.request.post(
        service.url + "/benches/b4/begin",
        form={"token": str(token), "plan": "resale", "layout": "front-loader"},
    )
    assert refused.status == 409
    assert "is under way" in refused.text()

    first.goto(service.url + "/runs")
    first.go_back()
    first.wait_for_selector("button >> text=End and judge")
    node.stop()
    first.wait_for_selector("#stale:not([hidden])", timeout=20_000)
    assert "not heard" in first.inner_text("[data-pad=left]")
    assert "CANNOT TELL: nothing heard" in first.inner_text("[data-show=headline]")
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
        page.click("details.sign summary")
        if page.input_value("#supersedes"):
            assert "Certify it anew, in place of certificate 1" in page.inner_text("details.sign summary")
            page.fill("#supersedes", "")  # else it would take the first one's place
        page.fill("#by", "R. Field")
        page.fill("#parts", "hose, two clips")
        page.fill("#passphrase", passphrase)
        page.click("text=Sign the certificate")
        page.wait_for_selector(f"h1:has-text('{outcome}')")
    page.goto(service.url + "/certificates")
    pdf = page.request.get(service.url + "/certificates/1/page").body()
    assert token_of_pdf(pdf).count(".") == 2
    page.click("text=Revoke it")
    page.fill("#why-1", "unit came back leaking")
    page.click("text=Revoke certificate 1")
    page.wait_for_selector("td >> text=REVOKED")
    assert "unit came back leaking" in page.inner_text("main")
