"""What a certificate rests on, and what speaks against it: the recording as signed, later runs, replays, runs given up."""

from types import SimpleNamespace

import pytest

from soaktest.bench import begin_run
from soaktest.certificate.statement import recording_sha256
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header, Message, Recording
from tests.conftest import later
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
