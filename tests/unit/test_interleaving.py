"""Any interleaving, duplication and delay of packs within the contract gives the same findings."""

import random

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from soaktest.analysis.analyse import analyse
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Message, Recording
from soaktest.simulate.bench import Truth

PLAN, LAYOUT = read_plan("repair-check"), read_layout("front-loader")


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**9), st.floats(0.0, 0.4))
def test_order_and_copies_give_the_same_findings(
    demo: tuple[Recording, Truth], seed: int, copied: float
) -> None:
    """Shuffled and partly doubled, not one bit of the findings changes."""
    recording, _ = demo
    rng = random.Random(seed)
    heard = list(recording.messages)
    changed = heard + [m._replace(at=m.at + rng.uniform(0, 60)) for m in heard if rng.random() < copied]
    rng.shuffle(changed)

    assert analyse(Recording(recording.header, changed), LAYOUT, PLAN) == analyse(recording, LAYOUT, PLAN)


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**9))
def test_late_packs_change_no_answer(demo: tuple[Recording, Truth], seed: int) -> None:
    """A third of the packs minutes late: verdict, reasons, events and suspects stay; onsets within a tenth of a second."""
    recording, _ = demo
    rng = random.Random(seed)

    def late(message: Message) -> Message:
        return message._replace(at=message.at + rng.uniform(1, 200)) if rng.random() < 0.33 else message

    expected = analyse(recording, LAYOUT, PLAN)
    got = analyse(Recording(recording.header, [late(m) for m in recording.messages]), LAYOUT, PLAN)

    assert (got.verdict, got.washes, [r.code for r in got.reasons]) == (
        expected.verdict,
        expected.washes,
        [r.code for r in expected.reasons],
    )
    assert [(e.zone, e.phase) for e in got.wet_events] == [(e.zone, e.phase) for e in expected.wet_events]
    for a, b in zip(got.wet_events, expected.wet_events, strict=True):
        assert abs(a.onset - b.onset) <= 1.1
    assert got.suspects[0].part == expected.suspects[0].part
