"""Odd runs are judged too: an answer or one clear error, never a traceback of another kind."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soaktest.analysis.analyse import analyse
from soaktest.errors import RecordingError
from soaktest.findings import Findings
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header, Message, Recording
from soaktest.simulate.bench import Scenario, Truth, simulate
from soaktest.vocabulary import CHANNEL_UNITS, PHASES
from soaktest.wire import Pack, Topic, build_about, build_readings

T0 = 1_764_000_000.0
TOPIC = Topic("b1", "n", "readings")


def judged(messages: list[Message], **header: float) -> Findings:
    recording = Recording(Header(bench="b1", began=T0, **header), messages)  # type: ignore[arg-type]
    return analyse(recording, read_layout("front-loader"), read_plan("resale"))


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 10**9), st.sets(st.sampled_from(sorted(CHANNEL_UNITS)), max_size=5), st.integers(1, 120)
)
def test_noise_on_any_channels_is_no_pass(seed: int, channels: set[str], packs: int) -> None:
    """Random values, random gaps, random boots and phases: never a pass, never a crash."""
    rng = random.Random(seed)
    messages = [
        Message(
            T0,
            "soaktest/b1/n/about",
            build_about(
                {
                    "contract": 1,
                    "kind": "pads",
                    "pads": {
                        "left": {
                            "divider_ohm": rng.choice([47e3, 1e5]),
                            "end_of_line_ohm": rng.choice([None, 2.2e6]),
                        }
                    },
                }
            ),
        )
    ]
    for i in range(packs):
        samples = {
            c: (
                [-0.5, 0.0],
                [
                    rng.random() if CHANNEL_UNITS[c] == "/" else rng.choice([0.0, rng.expovariate(0.01)])
                    for _ in "ab"
                ],
            )
            for c in channels
        }
        words = [(0.0, rng.choice(PHASES))] if rng.random() < 0.3 else []
        pack = Pack(
            rng.choice("ab"),
            i,
            rng.choice([float(i), 5.0 * i]),
            absolute=False,
            samples=samples,
            phases=words,
        )
        messages.append(Message(T0 + i + rng.random() * 9, str(TOPIC), build_readings(TOPIC, pack)))

    findings = judged(messages)

    assert findings.verdict != "pass"
    assert Findings.model_validate_json(findings.model_dump_json()) == findings


def test_a_header_far_from_its_messages_is_named() -> None:
    """A run that would last for decades is refused before it fills the memory."""
    pack = build_readings(TOPIC, Pack("a", 0, 1.0, absolute=False, samples={"left": ([0.0], [0.1])}))
    recording = Recording(Header(bench="b1", began=0.0), [Message(T0, str(TOPIC), pack)])

    with pytest.raises(RecordingError, match=r"days.*Mend began"):
        analyse(recording, read_layout("front-loader"), read_plan("resale"))


@pytest.mark.parametrize("share", [0.02, 0.3, 0.62])
def test_a_run_cut_short_anywhere_is_no_pass(demo: tuple[Recording, Truth], share: float) -> None:
    """Judged from what is there."""
    recording, _ = simulate(Scenario(seed=31))
    messages = list(recording.messages)
    header = recording.header.model_copy(update={"ended": None})
    cut = Recording(header, messages[: int(share * len(messages))])

    assert analyse(cut, read_layout("front-loader"), read_plan("repair-check")).verdict == "retest"


def test_a_run_without_pads_still_has_phases() -> None:
    """What can be found is found; silence is not dryness."""
    recording, truth = simulate(Scenario(seed=32))
    only = Recording(recording.header, [m for m in recording.messages if "/pads/" not in m.topic])

    findings = analyse(only, read_layout("front-loader"), read_plan("repair-check"))

    assert findings.verdict == "retest"
    assert {s.phase for s in findings.phases} == {p for p, _, _ in truth.phases}
    assert findings.assurance.leak_free_washes == 0
