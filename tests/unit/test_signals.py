"""Packs to series: order, copies and lateness of packs change nothing; boots and jumps are told apart."""

import random
from collections.abc import Iterable

import numpy as np
import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soaktest.analysis.signals import gather
from soaktest.recording import Header, Message, Recording
from soaktest.wire import Pack, Topic, build_about, build_readings

T0 = 1_764_000_000.0
PADS = Topic("b1", "pads", "readings")
ABOUT = Message(
    T0, "soaktest/b1/pads/about",
    build_about({"contract": 1, "kind": "pads", "clock": "uptime", "rate_hz": 2.0,
                 "pads": {"left": {"divider_ohm": 47000, "end_of_line_ohm": 2200000}}}),
)  # fmt: skip


def packs(
    seconds: int, boot: str = "a", began: float = T0, skew: float = 0.0, first_uptime: float = 100.0
) -> list[Message]:
    """One pack a second, two samples each, valued by the true second, delivered 10 to 30 ms later."""
    rng = random.Random(boot)
    out = []
    for i in range(seconds):
        true = began + i
        uptime = first_uptime + i * (1 - skew)
        pack = Pack(boot, i, uptime, absolute=False, samples={"left": ([-0.5, 0.0], [0.1, (i % 100) / 1000])})
        out.append(Message(true + rng.uniform(0.01, 0.03), str(PADS), build_readings(PADS, pack)))
    return out


def gathered(messages: Iterable[Message], **header: float) -> tuple[np.ndarray, np.ndarray, int, int]:
    signals = gather(Recording(Header(bench="b1", began=T0, **header), list(messages)))  # type: ignore[arg-type]
    left = signals.pads["left"]
    return left.t, left.v, signals.lost_packs, signals.set_aside


def test_samples_fall_on_the_benchs_clock_and_wiring_is_taken_from_about() -> None:
    """Times are true to a few hundredths of a second, with the node's own skew taken out."""
    signals = gather(Recording(Header(bench="b1", began=T0), [ABOUT, *packs(600, skew=100e-6)]))
    t = signals.pads["left"].t[1::2]

    assert np.abs(t - (T0 + np.arange(600))).max() < 0.04
    assert signals.wiring["left"].divider_ohm == 47_000
    assert signals.wiring["left"].end_of_line_ohm == 2_200_000
    assert 0.01 < signals.clock_error_s["left"] < 0.1


@settings(max_examples=40)
@given(st.randoms(use_true_random=False), st.floats(0, 0.5), st.floats(0, 1))
def test_interleaving_copies_and_delays_change_nothing(
    rng: random.Random, late: float, copied: float
) -> None:
    """Late packs, copies and any order give the very same series, to the bit.

    Only packs that bear on the clock line (the promptest) are left prompt: which instant a pack was
    made at is known from the prompt ones.
    """
    heard = packs(180)
    delays = [m.at - (T0 + i) for i, m in enumerate(heard)]
    bearing = set(np.argsort(delays)[:60].tolist()) | set(range(0, 180, 30))
    changed = []
    for i, message in enumerate(heard):
        at = message.at
        if i not in bearing and rng.random() < late:
            at += rng.uniform(0.5, 50)
        changed.append(message._replace(at=at))
        if rng.random() < copied:
            changed.append(message._replace(at=at + rng.uniform(0, 40)))
    rng.shuffle(changed)

    expected, got = gathered(heard), gathered(changed)

    assert np.allclose(got[0], expected[0], atol=0.01, rtol=0)
    assert np.array_equal(got[1], expected[1])
    assert got[2:] == expected[2:]


@settings(max_examples=25)
@given(st.randoms(use_true_random=False))
def test_order_and_copies_alone_change_not_one_bit(rng: random.Random) -> None:
    """The same arrivals in any order, some of them twice, are the same evidence."""
    heard = packs(60)
    shuffled = heard + [m._replace(at=m.at + 1) for m in heard if rng.random() < 0.3]
    rng.shuffle(shuffled)

    for expected, got in zip(gathered(heard), gathered(shuffled), strict=True):
        assert np.array_equal(got, expected)


def test_a_batch_kept_through_an_outage_falls_into_place() -> None:
    """Two minutes of packs that arrive together, late, stand at their own times."""
    heard = packs(900)
    back = heard[500].at
    late = [m._replace(at=back + 0.01) if 380 <= i < 500 else m for i, m in enumerate(heard)]

    assert np.allclose(gathered(late)[0], gathered(heard)[0], atol=0.02, rtol=0)


def test_a_reboot_begins_a_new_clock_line() -> None:
    """Uptime begins again at each boot; a lost pack is counted within its boot only."""
    first, second = packs(300), packs(300, boot="b", began=T0 + 320, first_uptime=2.0)
    del first[100:103]

    t, _, lost, _ = gathered(first + second)

    assert lost == 3
    assert t[-1] == pytest.approx(T0 + 619, abs=0.04)
    assert np.diff(t).max() == pytest.approx(20.5, abs=0.1)


@pytest.mark.parametrize("jump", [-40.0, 75.0])
def test_a_clock_that_jumps_within_a_boot_is_begun_anew(jump: float) -> None:
    """A node clock set back or forward does not move samples away from when they were taken."""
    before, after = packs(300), packs(600, first_uptime=100.0 + jump)[300:]

    t, _, _, _ = gathered(before + after)

    assert np.abs(t[1::2] - (T0 + np.arange(600))).max() < 0.05


def test_a_long_batch_that_comes_late_is_no_jump() -> None:
    """A pack each 2 s, 80 of them held up for minutes and delivered out of order: each stands where it was taken."""
    rng, out = random.Random(1), []
    for i in range(900):
        uptime = 2.0 * i + rng.choice((0.0, 0.02))
        arrival = T0 + uptime + 0.03 if not 400 <= i < 480 else T0 + 970.0 + rng.uniform(0.0, 4.0)
        pack = Pack("a", i, 100.0 + uptime, absolute=False, samples={"left": ([0.0], [0.1])})
        out.append(Message(arrival, str(PADS), build_readings(PADS, pack)))

    t, _, _, _ = gathered(sorted(out))

    assert np.diff(t).max() < 2.1


def utc_packs(seconds: int, off: float) -> list[Message]:
    topic = Topic("b1", "plug", "readings")
    out = []
    for i in range(seconds):
        made = T0 + i + off
        pack = Pack("u", i, None, absolute=True, samples={"left": ([made], [0.1])})
        out.append(Message(T0 + i + 0.05, str(topic), build_readings(topic, pack)))
    return out


def test_a_node_with_the_date_is_believed_while_it_agrees_with_arrivals() -> None:
    """A clock that agrees is taken as it is; one that is an hour off is put right by arrivals."""
    assert gathered(utc_packs(120, 0.0))[0][0] == T0
    assert np.abs(gathered(utc_packs(120, 3600.0))[0] - (T0 + np.arange(120))).max() < 0.1


@pytest.mark.parametrize("off", [0.0, 3600.0])
@pytest.mark.parametrize("dated", [True, False])
def test_packs_without_samples_count_and_move_nothing(off: float, dated: bool) -> None:
    """From a node with the date, with base time or bare: each counts its seq, and none bears on the clock."""
    expected = gathered([m for i, m in enumerate(utc_packs(120, off)) if i % 3])
    said = utc_packs(120, off)
    for i in range(0, 120, 3):
        boot = {"bn": "b1/plug/", "n": "boot", "vs": "u"} | ({"bt": T0 + i + off} if dated else {})
        bare = orjson.dumps([boot, {"n": "seq", "u": "count", "v": i}])
        said[i] = said[i]._replace(payload=bare)

    t, v, lost, set_aside = gathered(said)

    assert (lost, set_aside, expected[2]) == (0, 0, 39)
    assert np.array_equal(t, expected[0])
    assert np.array_equal(v, expected[1])


def test_a_node_that_says_nothing_but_that_it_lives_has_no_series() -> None:
    """Boot and seq alone, from first to last."""
    bare = [
        m._replace(payload=orjson.dumps([{"n": "boot", "vs": "u"}, {"n": "seq", "u": "count", "v": i}]))
        for i, m in enumerate(utc_packs(30, 0.0))
    ]

    signals = gather(Recording(Header(bench="b1", began=T0), bare))

    assert (signals.pads, signals.others, signals.lost_packs, signals.set_aside) == ({}, {}, 0, 0)


def test_bad_messages_are_counted_and_stop_nothing() -> None:
    """Not JSON, another bench, a wrong unit: set aside; the packs around them are read."""
    bad = [
        Message(T0 + 5, "soaktest/b1/pads/readings", b"not json"),
        Message(T0 + 5, "soaktest/b2/pads/readings", b"[]"),
        Message(T0 + 5, "soaktest/b1/pads/about", b'{"contract": 9}'),
        Message(T0 + 5, "nonsense", b""),
    ]

    t, _, _, set_aside = gathered([*packs(60), *bad])

    assert (len(t), set_aside) == (120, 4)


def test_samples_from_before_the_run_and_after_it_are_left_out() -> None:
    """A node that kept an hour of packs from before does not lengthen the run."""
    t, *_ = gathered(packs(600, began=T0 - 200), ended=T0 + 300)

    assert T0 - 6 < t[0] < T0
    assert T0 + 300 < t[-1] < T0 + 306


def test_a_run_that_heard_nothing_is_empty() -> None:
    """No message at all is no error."""
    signals = gather(Recording(Header(bench="b1", began=T0), []))

    assert (signals.pads, signals.ended) == ({}, T0)
