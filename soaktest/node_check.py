"""Does a node keep the contract? What it said for a while, judged in plain words for who writes its firmware."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from soaktest.analysis.clock import align
from soaktest.errors import MessageFault
from soaktest.vocabulary import CHANNEL_UNITS, PHASE_SIGNALS, ZONES, plural
from soaktest.wire import About, Pack, decode_json, parse_about, parse_presence, parse_readings, parse_topic

LARGEST_PPM = 100.0
LEAST_FOR_SKEW_S = 120.0
RATE_OFF = 0.15
WORD_EVERY_S = 5.0
"""A word is taken for what holds, not for what changed: the plans that ship let nobody go unheard for longer."""
_UNIT_WORDS = {"/": "each a share from 0 to 1"}


class Said(NamedTuple):
    """A message as it came: arrival (UTC seconds), topic, bytes, and whether the broker had kept it."""

    at: float
    topic: str
    payload: bytes
    retained: bool


class Line(NamedTuple):
    """One thing that was looked at."""

    good: bool
    text: str


@dataclass(slots=True)
class _Seen:
    about: About | None = None
    about_retained: bool = False
    here: bool = False
    gone: bool = False
    faults: Counter[str] = field(default_factory=Counter)
    packs: list[tuple[float, Pack]] = field(default_factory=list)


def check_node(messages: Sequence[Said], *, wanted_will: bool = False) -> list[Line]:
    """Judge what one node said.

    Args:
        messages: in the order of arrival.
        wanted_will: the node was unplugged on purpose, so its last will must have spoken.
    """
    seen = _Seen()
    for said in messages:
        try:
            _take(seen, said)
        except MessageFault as exc:
            seen.faults[str(exc)] += 1
    lines = [*_about_lines(seen), *_fault_lines(seen)]
    if seen.packs:
        lines += [
            *_number_lines(seen),
            *_rate_lines(seen),
            *_clock_lines(seen),
            *_word_lines(seen),
            *_channel_lines(seen),
        ]
    else:
        lines.append(
            Line(
                good=False,
                text="no readings pack arrived: check the topic soaktest/<bench>/<node>/readings, and the node's network.",
            )
        )
    if wanted_will:
        lines.append(
            Line(good=True, text="its last will spoke: presence gone.")
            if seen.gone
            else Line(
                good=False,
                text="its last will did not speak: set it at connect, retained, QoS 1, payload gone on .../presence.",
            )
        )
    return lines


def _take(seen: _Seen, said: Said) -> None:
    topic = parse_topic(said.topic)
    if topic.kind == "about":
        seen.about = parse_about(decode_json(said.payload))
        seen.about_retained |= said.retained
    elif topic.kind == "presence":
        here = parse_presence(said.payload)
        seen.here |= here
        seen.gone |= not here
    elif topic.kind == "readings":
        seen.packs.append((said.at, parse_readings(said.payload, topic, said.at)))


def _about_lines(seen: _Seen) -> list[Line]:
    out = []
    if seen.about is None:
        out.append(
            Line(good=False, text="no description: publish .../about once at each boot, retained, QoS 1.")
        )
    else:
        out.append(
            Line(
                good=True,
                text=f"describes itself as a {seen.about.kind} node, clock {seen.about.clock}, firmware {seen.about.firmware or 'unnamed'}.",
            )
        )
        if not seen.about_retained:
            out.append(
                Line(
                    good=False,
                    text="the description was not kept by the broker: set the retain flag on .../about.",
                )
            )
        if seen.about.kind == "pads" and not seen.about.pads:
            out.append(
                Line(
                    good=False,
                    text="the description names no pad: give divider_ohm and end_of_line_ohm of each.",
                )
            )
        for zone, pad in seen.about.pads.items():
            if pad.end_of_line_ohm is None:
                out.append(
                    Line(
                        good=True,
                        text=f"{zone} pad has no end-of-line resistor, so it stays unproven unless it is checked before a run.",
                    )
                )
    out.append(
        Line(good=True, text="says that it is here.")
        if seen.here
        else Line(good=False, text="never said here: publish it retained on .../presence after connecting.")
    )
    return out


def _fault_lines(seen: _Seen) -> list[Line]:
    if not seen.faults:
        return [Line(good=True, text="no message broke the contract.")]
    return [
        Line(good=False, text=f"{count} set aside: {reason}") for reason, count in seen.faults.most_common(6)
    ]


def _number_lines(seen: _Seen) -> list[Line]:
    boots: dict[str, list[int]] = {}
    for _, pack in seen.packs:
        boots.setdefault(pack.boot, []).append(pack.seq)
    out = [Line(good=True, text=f"{plural(len(seen.packs), 'pack')} in {plural(len(boots), 'boot')}.")]
    for boot, seqs in boots.items():
        missing = max(seqs) - min(seqs) + 1 - len(set(seqs))
        copies = len(seqs) - len(set(seqs))
        if missing:
            out.append(
                Line(
                    good=False,
                    text=f"boot {boot}: {missing} of {max(seqs) - min(seqs) + 1} packs never came: keep them until the broker acknowledges (QoS 1).",
                )
            )
        if copies:
            out.append(Line(good=True, text=f"boot {boot}: {copies} came twice, which is allowed."))
    return out


def _rate_lines(seen: _Seen) -> list[Line]:
    by_name: dict[str, int] = {}
    for _, pack in seen.packs:
        for name, (_, values) in pack.samples.items():
            by_name[name] = by_name.get(name, 0) + len(values)
    span = _span(seen)
    out = []
    stated = seen.about.rate_hz if seen.about else None
    for name, count in sorted(by_name.items()):
        rate, unit = count / span if span > 0 else 0.0, CHANNEL_UNITS[name]
        if stated and span >= 10 and abs(rate / stated - 1) > RATE_OFF:
            out.append(
                Line(
                    good=False,
                    text=f"{name}: {rate:.2g} samples a second, but the description says {stated:g} Hz.",
                )
            )
        else:
            out.append(
                Line(
                    good=True,
                    text=f"{name}: {rate:.2g} samples a second, {_UNIT_WORDS.get(unit, f'in {unit}')}.",
                )
            )
    times = [t for _, pack in seen.packs if not pack.absolute for ts, _ in pack.samples.values() for t in ts]
    if times and max(times) > 0:
        out.append(
            Line(
                good=False,
                text=f"a sample lies {max(times):.2f} s after its pack was made: t is relative to that instant, so 0 or negative.",
            )
        )
    return out


def _span(seen: _Seen) -> float:
    """Seconds that the packs speak for: by the node's own clock within a boot, else by arrival."""
    first, last = seen.packs[0], seen.packs[-1]
    if (
        first[1].boot == last[1].boot
        and first[1].uptime is not None
        and last[1].uptime is not None
        and len(seen.packs) > 1
    ):
        run = last[1].uptime - first[1].uptime
    else:
        run = last[0] - first[0]
    return run * len(seen.packs) / max(len(seen.packs) - 1, 1)


def _clock_lines(seen: _Seen) -> list[Line]:
    boots: dict[str, list[tuple[float, float]]] = {}
    for at, pack in seen.packs:
        if pack.uptime is not None:
            boots.setdefault(pack.boot, []).append((pack.uptime, at))
    out = []
    for boot, pairs in boots.items():
        points = np.array(pairs)
        if len(points) < 3:
            continue
        if np.any(np.diff(points[:, 0]) < 0) and np.all(np.diff(points[:, 1]) >= 0):
            out.append(
                Line(
                    good=False,
                    text=f"boot {boot}: uptime runs back between packs; it must be the node's clock at the instant each pack is made.",
                )
            )
            continue
        line = align(points[:, 0], points[:, 1])
        delay = points[:, 1] - line.bench_time(points[:, 0])
        out.append(
            Line(
                good=True,
                text=f"boot {boot}: half of the packs are under way for {np.median(delay):.2f} s or less, none for more than {delay.max():.1f} s, as against the quickest.",
            )
        )
        length = float(np.ptp(points[:, 0]))
        if length >= LEAST_FOR_SKEW_S:
            ppm = abs(line.skew) * 1e6
            out.append(
                Line(
                    good=ppm <= LARGEST_PPM,
                    text=f"boot {boot}: its clock is {ppm:.0f} ppm off; {LARGEST_PPM:.0f} are allowed.",
                )
            )
    dateless = seen.about is None or seen.about.clock == "uptime"
    if dateless and any(pack.uptime is None and not pack.absolute for _, pack in seen.packs):
        out.append(
            Line(
                good=False,
                text="a pack without uptime, and its times are not UTC: only clock utc may leave it out.",
            )
        )
    return out


def _word_lines(seen: _Seen) -> list[Line]:
    """How often a node repeats the phase that it knows: what it says only at a change is silence in between."""
    said: dict[str, list[float]] = {}
    for at, pack in seen.packs:
        made = at if pack.uptime is None else pack.uptime
        said.setdefault(pack.boot, []).extend(t if pack.absolute else made + t for t, _ in pack.phases)
    if not any(said.values()):
        return []
    longest = 0.0
    for boot, words in said.items():
        heard = [at if p.absolute or p.uptime is None else p.uptime for at, p in seen.packs if p.boot == boot]
        longest = max(longest, float(np.diff(np.sort([min(heard), *words, max(heard)])).max()))
    if longest > WORD_EVERY_S:
        return [
            Line(
                good=False,
                text=f"phase: no word for {longest:.0f} s. Say it with every pack, whether it changed or not, and at the least every "
                f"{WORD_EVERY_S:.0f} s: a run counts the time between as unheard.",
            )
        ]
    return [Line(good=True, text=f"phase: said again within {longest:.1f} s.")]


def _channel_lines(seen: _Seen) -> list[Line]:
    names = {name for _, pack in seen.packs for name in pack.samples}
    told = seen.about
    if told is not None and told.kind == "pads":
        missing = [zone for zone in ZONES if zone not in names]
        if missing:
            return [Line(good=False, text=f"a pad node without {', '.join(missing)}: a run needs all three.")]
    if (
        told is not None
        and told.kind == "phase"
        and not names
        and not any(pack.phases for _, pack in seen.packs)
    ):
        return [
            Line(
                good=False,
                text=f"a phase node that sends no {', '.join(PHASE_SIGNALS)} or phase; a phase is said with every pack, "
                "not when it changes.",
            )
        ]
    return []
