"""Any interleaving, duplication and delay of packs within the contract gives the same findings.

Where a node has no date, the arrival of its promptest packs is all that ties its clock to the bench's. Delay those
too, and its times move within what the findings state as the clock's error; every answer stays.
"""

import random

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from soaktest.analysis.analyse import analyse
from soaktest.analysis.clock import align
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Message, Recording
from soaktest.simulate.bench import Truth
from soaktest.wire import parse_readings, parse_topic

PLAN, LAYOUT = read_plan("repair-check"), read_layout("front-loader")


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
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


@settings(max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**9), st.floats(0.1, 0.9))
def test_any_delay_beside_the_promptest_packs_gives_the_same_findings(
    demo: tuple[Recording, Truth], seed: int, share: float
) -> None:
    """A node's clock is known by its promptest packs; however late others are, not one bit changes."""
    recording, _ = demo
    rng = random.Random(seed)
    prompt = promptest(recording)
    changed = [
        m._replace(at=m.at + rng.uniform(0.01, 200)) if i not in prompt and rng.random() < share else m
        for i, m in enumerate(recording.messages)
    ]

    assert analyse(Recording(recording.header, changed), LAYOUT, PLAN) == analyse(recording, LAYOUT, PLAN)


def promptest(recording: Recording) -> set[int]:
    """Places of the messages that are not readings, or whose delay is within 2 ms of the node's shortest."""
    by_node: dict[str, list[tuple[int, float, float]]] = {}
    keep = set()
    for i, message in enumerate(recording.messages):
        topic = parse_topic(message.topic)
        if topic.kind != "readings":
            keep.add(i)
            continue
        pack = parse_readings(message.payload, topic, message.at)
        assert pack.uptime is not None
        by_node.setdefault(f"{topic.node} {pack.boot}", []).append((i, pack.uptime, message.at))
    for packs in by_node.values():
        at = np.array(packs)
        late = at[:, 2] - align(at[:, 1], at[:, 2]).bench_time(at[:, 1])
        keep |= {int(i) for i in at[late < 0.002, 0]}
    return keep


@settings(max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
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
