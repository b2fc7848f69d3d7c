"""A run's findings in words: the verdict, the one-sentence answer, its wet events, and the clock that times are told by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Any, Final

import numpy as np

from soaktest.analysis.series import Floats
from soaktest.findings import Findings, WetEvent, verdict_in_words
from soaktest.templates import utc_name, utc_offset
from soaktest.vocabulary import ZONES, Phase, listed, percent

WHILE: Final[Mapping[Phase, str]] = {
    "idle": "stood", "fill": "filled", "wash": "washed", "heat": "heated", "rinse": "rinsed", "drain": "drained", "spin": "spun",
}  # fmt: skip
"""What the machine did in a phase."""
MARKS = {"pass": "✓", "fail": "✗", "retest": "?"}


@dataclass(frozen=True, slots=True)
class Clock:
    """Local time by one offset from UTC (seconds) for the whole of a run: when clocks change, no hour comes twice or is missing."""

    utc_offset_s: float

    @classmethod
    def of(cls, began: float) -> Clock:
        """By the offset that holds here at a run's beginning (UTC seconds)."""
        return cls(utc_offset(began))

    @property
    def name(self) -> str:
        """Its offset, such as ``UTC+01:00``."""
        return utc_name(self.utc_offset_s)

    def local(self, t: float) -> datetime:
        """UTC seconds as a local date and time."""
        return datetime.fromtimestamp(t, timezone(timedelta(seconds=self.utc_offset_s)))

    def time(self, t: float) -> str:
        """The time of day to the second."""
        return f"{self.local(t):%H:%M:%S}"

    def iso(self, t: float) -> str:
        """A place on the time axis, to the millisecond."""
        return self.local(t).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]

    def times(self, t: Floats) -> Any:
        """Places on the time axis in milliseconds, shape (n,): as numbers they need a third of the text, and no parsing in the page."""
        return np.round((t + self.utc_offset_s) * 1000) if len(t) else []


def verdict_shown(findings: Findings, *, cancelled: bool = False) -> dict[str, str]:
    """The verdict as a page shows it: its name, what it means, and a mark. A run that was cancelled has none."""
    if cancelled:
        return {"name": "CANCELLED", "meaning": "this run was ended and is not judged", "mark": "–"}
    name, meaning = verdict_in_words(findings)
    return {"name": name, "meaning": meaning, "mark": MARKS[findings.verdict]}


def jumps(findings: Findings) -> list[dict[str, str]]:
    """Windows of the timeline that a button shows, one for each wet event."""
    clock = Clock.of(findings.began)
    return [
        {"title": f"{e.zone} wet {clock.time(e.onset)}", "start": clock.iso(e.onset - 240), "end": clock.iso(e.onset + 240)}
        for e in findings.wet_events
    ]  # fmt: skip


def answer(findings: Findings, *, live: bool = False) -> str:
    """Is it leaking, where, since when: in one sentence. Of a run that has ended: where it leaked, and when."""
    clock, word = Clock.of(findings.began), "since" if live else "from"
    leaking = {e.zone: e for e in reversed(findings.wet_events) if e.cause == "leak"}  # each pad's first
    other = {e.zone: e for e in reversed(findings.wet_events) if e.zone not in leaking and e.cause != "fault"}
    leaks = sorted(leaking.values(), key=lambda e: e.onset)
    others = sorted(other.values(), key=lambda e: e.onset)
    said = ""
    if leaks:
        by_phase: dict[Phase | None, list[WetEvent]] = {}
        for e in leaks:
            by_phase.setdefault(e.phase, []).append(e)
        told = [
            _times(wet, clock, word) + (f", out of the machine while it {WHILE[phase]}" if phase else "")
            for phase, wet in by_phase.items()
        ]
        said = f"Water {'at' if live else f'on {clock.local(leaks[0].onset):%d %b}:'} {'; '.join(told)}. "
    by_cause: dict[str, dict[str, list[str]]] = {}
    for e in others:
        when = "as the run began" if e.onset <= findings.began + 1.0 else f"{word} {clock.time(e.onset)}"
        by_cause.setdefault(e.cause, {}).setdefault(when, []).append(e.zone)
    for cause, times in by_cause.items():
        wet = "Damp" if cause == "condensation" else "Wet"
        pads = sum(map(len, times.values()))
        which = listed([f"{listed(zones)} {when}" for when, zones in times.items()])
        said += f"{wet} {'pad' if pads == 1 else 'pads'}, most likely by {cause}: {which}. "
    if said and findings.verdict == "pass":
        said += "None of it counts as a leak."
    if said:
        return said.strip()
    return (
        "No pad got wet."
        if findings.verdict == "pass"
        else f"No pad was seen wet. {findings.reasons[0].text}"
    )


def what_changed(before: Findings, after: Findings) -> str:
    """What a repair has changed, from run to run: where it leaked and leaks no more, leaks still, or anew; empty where it never did."""
    leaked, leaks = ({e.zone for e in run.wet_events if e.cause == "leak"} for run in (before, after))
    said = [
        f"{words} at {listed([zone for zone in ZONES if zone in zones])}"
        for words, zones in (
            ("no leak any more", leaked - leaks),
            ("still leaks", leaked & leaks),
            ("leaks anew", leaks - leaked),
        )
        if zones
    ]
    unsure = leaked - leaks and after.verdict != "pass"
    return f"{'; '.join(said)}{', but the later run is no pass' if unsure else ''}." if said else ""


def _times(events: list[WetEvent], clock: Clock, word: str) -> str:
    """Zones and since (the word) when they are wet; those of one second together."""
    times: dict[str, list[str]] = {}
    for event in events:
        times.setdefault(clock.time(event.onset), []).append(event.zone)
    return listed([f"{listed(zones)} {word} {time}" for time, zones in times.items()])


def event_rows(findings: Findings) -> list[dict[str, str]]:
    """The wet events in words, a row each."""
    clock = Clock.of(findings.began)
    return [_event_row(event, clock) for event in findings.wet_events]


def _event_row(event: WetEvent, clock: Clock) -> dict[str, str]:
    water = event.water_ml
    chance = event.phase_probability.get(event.phase, 0.0) if event.phase else 0.0
    return {
        "zone": event.zone,
        "onset": clock.time(event.onset),
        "interval": f"{clock.time(event.onset_low)} to {clock.time(event.onset_high)}",
        "cause": f"{event.cause} ({percent(event.cause_probability.get(event.cause, 1.0))})",
        "phase": f"{event.phase} ({percent(chance)})" if event.phase else "–",
        "water": f"{water.best:.1f} ml ({water.low:.1f} to {water.high:.0f})" if water else "–",
    }
