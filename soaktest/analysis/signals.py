"""Packs → aligned series per channel, on the bench's clock.

Copies of a pack are told by (node, boot, seq) and dropped; order of arrival does not
matter. Messages that break the contract are counted and left out; they were never
evidence of anything.
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain, pairwise

import numpy as np

from soaktest.analysis.clock import ClockLine, align, split_jumps
from soaktest.analysis.series import Floats, PadWiring, PhaseWord, Series, Signals
from soaktest.errors import MessageFault, RecordingError
from soaktest.recording import Header, Message, Recording
from soaktest.vocabulary import ZONES, Phase, Zone
from soaktest.wire import About, Pack, decode_json, parse_about, parse_readings, parse_topic

SLACK_S = 5.0
"""Samples this long before the run's beginning, or after its end, still belong to it."""
LONGEST_RUN_S = 7 * 86_400.0
"""A run longer than this is a header that does not belong to its messages."""
UTC_TRUST_S = 2.0
"""A node with the date is believed while its clock agrees with arrivals this well."""


@dataclass(slots=True)
class _Boot:
    """Packs of one boot of one node, by seq; a copy keeps the earliest arrival."""

    packs: dict[int, Pack] = field(default_factory=dict)
    arrival: dict[int, float] = field(default_factory=dict)


@dataclass(slots=True)
class _Node:
    about: About | None = None
    about_at: float = -1.0
    boots: dict[str, _Boot] = field(default_factory=dict)


_Piece = tuple[float, list[float], list[float]]
"""What a pack says of one channel: the node's clock that its times are relative to, times, values."""


@dataclass(slots=True)
class _Column:
    """One channel of one node: pieces to be joined."""

    t: list[Floats] = field(default_factory=list)
    v: list[Floats] = field(default_factory=list)
    error_s: float = 0.0

    def series(self) -> Series:
        t, v = np.concatenate(self.t), np.concatenate(self.v)
        if np.any(np.diff(t) <= 0):
            t, first = np.unique(t, return_index=True)
            v = v[first]
        return Series(t, v)


@contextlib.contextmanager
def _no_collection() -> Iterator[None]:
    """Reading makes objects by the hundred thousand and drops none: looking for cycles costs a tenth."""
    collects = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collects:
            gc.enable()


@_no_collection()
def gather(recording: Recording) -> Signals:
    """All that the bench heard, aligned. A bad message is counted, not raised.

    Raises:
        RecordingError: the run would last longer than ``LONGEST_RUN_S``.
    """
    header = recording.header
    nodes, set_aside = _heard(header, recording.messages)
    set_aside += len(recording.bad_lines)
    columns: dict[str, dict[str, _Column]] = {}
    words: list[PhaseWord] = []
    lost = 0
    for name in sorted(nodes):
        for boot in nodes[name].boots.values():
            order = sorted(boot.packs)
            lost += order[-1] - order[0] + 1 - len(order)
            _lay_out(name, boot, order, columns, words)
    return _bounded(header, nodes, columns, words, lost, set_aside)


def _heard(header: Header, messages: Iterable[Message]) -> tuple[dict[str, _Node], int]:
    nodes: dict[str, _Node] = {}
    set_aside = 0
    for at, topic_text, payload in messages:
        try:
            topic = parse_topic(topic_text)
            if topic.bench != header.bench:
                raise MessageFault(f"belongs to bench {topic.bench}, this is {header.bench}")
            if topic.kind not in ("readings", "about"):
                continue
            node = nodes.setdefault(topic.node, _Node())
            if topic.kind == "about":
                _take_about(node, parse_about(decode_json(payload)), at)
            else:
                _take_pack(node, parse_readings(payload, topic, at), at)
        except MessageFault:
            set_aside += 1
    return nodes, set_aside


def _take_about(node: _Node, about: About, at: float) -> None:
    """The latest word holds; of two at one instant, whichever sorts last, so that order is moot."""
    if (at, about.model_dump_json()) >= (node.about_at, node.about.model_dump_json() if node.about else ""):
        node.about, node.about_at = about, at


def _take_pack(node: _Node, pack: Pack, at: float) -> None:
    boot = node.boots.setdefault(pack.boot, _Boot())
    known = boot.arrival.get(pack.seq)
    if known is None:
        boot.packs[pack.seq] = pack
        boot.arrival[pack.seq] = at
    elif at < known:
        boot.arrival[pack.seq] = at


def _lay_out(
    name: str, boot: _Boot, order: list[int], columns: dict[str, dict[str, _Column]], words: list[PhaseWord]
) -> None:
    """Put one boot's samples on the bench's clock, stretch by stretch where its clock jumped."""
    order = _placed(boot, order)
    if not order:
        return
    packs = [boot.packs[seq] for seq in order]
    arrival = np.array([boot.arrival[seq] for seq in order])
    made = np.array([_made_at(pack) for pack in packs])
    cuts = [0, *split_jumps(made, arrival).tolist(), len(packs)]
    for begin, stop in pairwise(cuts):
        line = align(made[begin:stop], arrival[begin:stop])
        if packs[begin].absolute and _agrees(line, made[begin:stop]):
            line = ClockLine(0.0, 0.0, line.error_s)
        by_channel: dict[str, list[_Piece]] = {}
        said: list[tuple[float, Phase]] = []
        for pack, instant in zip(packs[begin:stop], made[begin:stop].tolist(), strict=True):
            shift = 0.0 if pack.absolute else instant
            for channel, piece in pack.samples.items():
                by_channel.setdefault(channel, []).append((shift, *piece))
            said += [(shift + time, phase) for time, phase in pack.phases]
        for channel, pieces in by_channel.items():
            column = columns.setdefault(channel, {}).setdefault(name, _Column())
            shifts, times, values = zip(*pieces, strict=True)
            node_time = np.repeat(shifts, list(map(len, times))) + _joined(times)
            column.t.append(line.bench_time(node_time))
            column.v.append(_joined(values))
            column.error_s = max(column.error_s, line.error_s)
        at = line.bench_time(np.array([time for time, _ in said])).tolist()
        words += map(PhaseWord, at, (phase for _, phase in said))


def _joined(lists: Iterable[list[float]]) -> Floats:
    return np.fromiter(chain.from_iterable(lists), np.float64)


def _placed(boot: _Boot, order: list[int]) -> list[int]:
    """The packs that have a place on the node's clock. One without samples bears on the clock line by its
    uptime alone, and only where that is the clock of the samples.
    """
    utc = any(pack.absolute for pack in boot.packs.values())
    return [
        seq
        for seq in order
        if (pack := boot.packs[seq]).samples or pack.phases or not (utc or pack.uptime is None)
    ]


def _made_at(pack: Pack) -> float:
    """The node's clock when the pack was made; for a node with the date, its newest sample."""
    if not pack.absolute:
        return float(pack.uptime or 0.0)
    newest = [times[-1] for times, _ in pack.samples.values()] + [time for time, _ in pack.phases]
    return max(newest)


def _agrees(line: ClockLine, made: Floats) -> bool:
    off = line.bench_time(made[[0, -1]]) - made[[0, -1]]
    return bool(np.all((off > -0.1) & (off < UTC_TRUST_S)))


def _bounded(
    header: Header,
    nodes: dict[str, _Node],
    columns: dict[str, dict[str, _Column]],
    words: list[PhaseWord],
    lost: int,
    set_aside: int,
) -> Signals:
    """Cut to the run, and keep one node a channel: the one that said most."""
    spoken = [float(t[-1]) for by_node in columns.values() for c in by_node.values() for t in c.t]
    spoken += [word.t for word in words]
    began = header.began
    ended = header.ended if header.ended is not None else max([began, *spoken])
    if ended - began > LONGEST_RUN_S:
        raise RecordingError(
            f"the run would last {(ended - began) / 86_400:.0f} days, from {began:.0f} to {ended:.0f}; at the most "
            f"{LONGEST_RUN_S / 86_400:.0f} can be judged. Mend began and ended in the header."
        )
    pads: dict[Zone, Series] = {}
    wiring: dict[Zone, PadWiring] = {}
    errors: dict[Zone, float] = {}
    others: dict[str, Series] = {}
    for channel, by_node in columns.items():
        name = max(sorted(by_node), key=lambda n: sum(map(len, by_node[n].t)))
        series = by_node[name].series()
        inside = slice(*np.searchsorted(series.t, (began - SLACK_S, ended + SLACK_S)))
        series = Series(series.t[inside], series.v[inside])
        if channel not in ZONES:
            others[channel] = series
            continue
        zone: Zone = channel
        pads[zone], errors[zone] = series, by_node[name].error_s
        about = nodes[name].about
        told = about.pads.get(zone) if about else None
        wiring[zone] = PadWiring(told.divider_ohm, told.end_of_line_ohm) if told else PadWiring()
    return Signals(
        began=began,
        ended=ended,
        pads=pads,
        wiring=wiring,
        others=others,
        phase_words=tuple(
            sorted(
                (w for w in words if began - SLACK_S <= w.t <= ended + SLACK_S), key=lambda w: (w.t, w.phase)
            )
        ),
        clock_error_s=errors,
        lost_packs=lost,
        set_aside=set_aside,
    )
