"""What a certificate rests on, and what speaks against it: the recording as signed, later runs, replays, runs given up."""

import io
from types import SimpleNamespace

import pytest
from pypdf import PdfReader

from soaktest.bench import begin_run, judge_run
from soaktest.certificate.paper import print_certificate
from soaktest.certificate.register import Told, revoke
from soaktest.certificate.statement import recording_sha256
from soaktest.errors import InputError
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header, Message, Recording, later
from soaktest.simulate.bench import Truth
from soaktest.tables import RunRow
from tests.service.shop import Shop


def test_a_recording_is_the_same_before_and_after_it_is_signed(
    shop: Shop, dry: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another run has begun on its bench before the signature: what came since belongs to that one."""
    run = shop.hear(later(dry, 90_000, b"7"))
    assert run.ended is not None
    judged_by = (read_plan("resale"), read_layout("front-loader"))
    begin_run(shop.journal, Header(bench=run.bench, unit="B-2", began=run.ended + 60.0), *judged_by)
    shop.journal.keep([Message(run.ended + 120.0, f"soaktest/{run.bench}/pads/presence", b"gone")])
    signed = run.ended + 600.0
    monkeypatch.setattr("soaktest.certificate.register.time", SimpleNamespace(time=lambda: signed))
    before = recording_sha256(shop.journal.recording(run))

    said = shop.certify_run(run).statement

    assert said.recording_sha256 == before
    assert recording_sha256(shop.journal.recording(run)) == before


@pytest.mark.parametrize("later_run", ["find-leak", "not judged", "under way"])
def test_a_later_run_that_found_water_or_was_never_looked_at_comes_first(
    shop: Shop, demo: tuple[Recording, Truth], later_run: str
) -> None:
    """A search gives no verdict, but it found the leak; a run that nobody judged may have."""
    recording = later(demo[0], 90_000, b"7")
    if later_run == "under way":
        recording = Recording(recording.header.model_copy(update={"ended": None}), recording.messages)
    judged = later_run == "find-leak"
    run = shop.hear(recording, "find-leak" if judged else "repair-check", judged=judged)
    why = {
        "find-leak": f"run {run.id} of unit A-0417 found a leak after run",
        "not judged": f"not judged yet. Judge it first: soaktest judge {run.id}",
        "under way": "is under way",
    }

    with pytest.raises(InputError, match=why[later_run]):
        shop.certify()


def test_a_later_run_that_proved_nothing_stands_in_no_ones_way(shop: Shop, dry: Recording) -> None:
    """Nor does a search that found no water, nor one that was given up and judged dry."""
    shop.hear(later(dry, 90_000, b"7"), "find-leak")
    given_up = shop.hear(later(dry, 120_000, b"8"))
    with shop.journal.session() as session:
        session.get_one(RunRow, given_up.id).stage = "cancelled"

    assert shop.certify()[0].number == 1
    with pytest.raises(InputError, match="was cancelled; it cannot be certified"):
        shop.certify_run(given_up)


def test_one_test_and_its_replay_have_one_certificate(shop: Shop, dry: Recording) -> None:
    """Nor does a replay bring back what was revoked, under whatever plan and unit it is played."""
    shop.certify()
    heard = shop.journal.recording(shop.passed)
    replays = [shop.hear(heard, source="again")]
    renamed = heard.header.model_copy(update={"unit": "B-2", "ended": (heard.header.ended or 0) - 1})
    replays.append(shop.hear(Recording(renamed, heard.messages), source="renamed"))
    for run in replays:
        with pytest.raises(InputError, match=f"the same test as run {run.id}, has certificate 1"):
            shop.certify_run(run)
    second = shop.certify_run(replays[0], Told("R. Field", supersedes=1))
    assert second.row.number == 2

    revoke(shop.journal, 2, "pads were swapped")

    for run in (shop.passed, *replays):
        with pytest.raises(InputError, match="was revoked: pads were swapped"):
            shop.certify_run(run)
    assert shop.certify_run(shop.hear(later(dry, 90_000, b"7"))).row.number == 3


def test_runs_before_are_told_by_how_they_came_out(
    shop: Shop, demo: tuple[Recording, Truth], dry: Recording
) -> None:
    """A leak is told whatever the plan asked; a run given up is told as that; a search is no failure."""
    leaking = shop.hear(later(demo[0], 20_000, b"6"))
    shop.hear(later(demo[0], 40_000, b"7"), "find-leak")
    shop.hear(later(dry, 50_000, b"8"), "find-leak")
    shop.hear(later(dry, 60_000, b"9"), "resale")
    for at in (30_000, 35_000):
        given_up = shop.hear(later(dry, at, str(at).encode()), judged=False)
        with shop.journal.session() as session:
            session.get_one(RunRow, given_up.id).stage = "cancelled"
            session.get_one(RunRow, leaking.id).stage = "cancelled"
    judge_run(shop.journal, shop.passed.id)
    run = shop.hear(later(dry, 90_000, b"5"))

    issued = shop.certify_run(run)

    # the first of the workshop's two runs was never judged
    assert issued.statement.earlier == (
        "2 leaked, 1 proved nothing, 2 given up, 1 not judged, 1 only searched, 1 passed"
    )
    page = print_certificate(issued.statement, issued.row.token, issued.analysis)
    text = " ".join(PdfReader(io.BytesIO(page)).pages[0].extract_text().split())
    assert "2 leaked, 1 proved nothing, 2 given up" in text
