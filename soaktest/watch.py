"""Watches the journal while machines run: the quick look at every new message, the whole judgement at a bounded rate.

Lamp and alarm are published when they change. The analysis of a run costs more as it grows; it may
take a fiftieth of the time, so that a bench adds at most 20 ms to each second.
"""

from __future__ import annotations

import logging
import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from soaktest.analysis.verdict import FAIL_FROM, leak_chance
from soaktest.bench import Live, alarm_message, is_ripe, lamp_message, look
from soaktest.errors import SoaktestError
from soaktest.findings import kept_verdict
from soaktest.glance import LEARN_S, Glance
from soaktest.journal import Journal
from soaktest.readiness import unchecked_since
from soaktest.records import pad_checks
from soaktest.run_state import ended_with, state_of
from soaktest.tables import MessageRow, PadCheckRow, RunRow
from soaktest.timeline_style import PAD_WORDS
from soaktest.vocabulary import ZONES, Zone

log = logging.getLogger("soaktest")

LOOK_S = 0.15
"""Seconds between looks at the journal: half of what a leak may take to the page is left for the rest."""
LEAST_BETWEEN_S = 3.0
SHARE = 50.0
STALE_S = 10.0
CHECKS_S = 2.0
WORKS_W, WORKED_S = 60.0, 90.0
"""Watts that no machine at rest draws, and so long ago it is still at work: a drum pauses between strokes."""
BACK_S = 900.0
AT_ONCE = 2000
"""Messages that one look reads at the most."""

Publish = Callable[[str, bytes], None]


@dataclass(slots=True)
class _Bench:
    glance: Glance
    run: RunRow | None = None
    live: Live | None = None
    due: float = 0.0
    tried: bool = False
    """Whether the run under way was looked at, be it in vain."""
    ended: RunRow | None = None
    """The newest live run that has ended."""
    verdict: str = ""
    """What that run was judged to be; empty until it is."""
    last: dict[str, Any] | None = None
    """Number, unit, end (UTC seconds) and the verdict's name of the newest judged run."""
    told: object = None
    """What lamp and alarm were last told; at first they may hold what was told before a restart."""
    faults: list[str] = field(default_factory=list)
    """What the last check of its pads found, or the last run where nobody has checked them since."""
    proven: set[Zone] = field(default_factory=set)
    """Pads that a check found whole."""
    checking_until: float = 0.0
    """Somebody touches its pads until then (monotonic seconds)."""
    raised: dict[Zone, float] = field(default_factory=dict)
    """Zones that are wet now, and when that was first told (UTC seconds): a slow leak is told long after its onset."""


class Watch:
    """Between ``with`` and its end; ``snapshot`` and ``strip`` may be read from any thread."""

    def __init__(self, journal: Journal, publish: Publish) -> None:
        self._journal, self._publish = journal, publish
        self._benches: dict[str, _Bench] = {}
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._behind, self._check_due = True, 0.0
        """Whether there is more to read than was read so far, as after a start."""
        self._last_id = self._first_id()
        self._threads = [
            threading.Thread(target=self._glances, name="glances", daemon=True),
            threading.Thread(target=self._looks, name="looks", daemon=True),
        ]

    def __enter__(self) -> Watch:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.set()
        for thread in self._threads:
            thread.join(5)

    def _first_id(self) -> int:
        """Watching begins a quarter of an hour back, with each bench that had a run and each node's last description."""
        with self._journal.session() as session:
            for name in session.scalars(sa.select(RunRow.bench).where(RunRow.source == "").distinct()):
                self._of(name)
            newest = sa.select(sa.func.max(MessageRow.id)).where(
                MessageRow.kind == "about", MessageRow.source == ""
            )
            for row in session.scalars(
                sa.select(MessageRow).where(
                    MessageRow.id.in_(newest.group_by(MessageRow.bench, MessageRow.node))
                )
            ):
                self._of(row.bench).glance.take(row)
            for name, bench in self._benches.items():
                heard = sa.select(MessageRow.at).where(MessageRow.bench == name, MessageRow.source == "")
                bench.glance.last_at = session.scalar(heard.order_by(MessageRow.at.desc()).limit(1)) or 0.0
            first = session.scalar(
                sa.select(sa.func.min(MessageRow.id)).where(MessageRow.at > time.time() - BACK_S)
            )
            last = session.scalar(sa.select(sa.func.max(MessageRow.id)))
        return (first - 1) if first is not None else (last or 0)

    def _of(self, name: str) -> _Bench:
        if name not in self._benches:
            self._benches[name] = _Bench(Glance(name))
        return self._benches[name]

    def _glances(self) -> None:
        while not self._stopping.wait(LOOK_S):
            try:
                self._glance()
            except Exception as exc:  # whatever it is, the alarm must live
                log.warning("%s", exc if isinstance(exc, SoaktestError) else repr(exc))
                self._stopping.wait(2.0)

    def _glance(self) -> None:
        with self._journal.session() as session:
            where = (
                sa.select(MessageRow)
                .where(MessageRow.id > self._last_id, MessageRow.source == "")
                .order_by(MessageRow.id)
                .limit(AT_ONCE)
            )
            rows = list(session.scalars(where))
            runs = list(session.scalars(sa.select(RunRow).where(RunRow.ended.is_(None))))
            names = {*self._benches, *(run.bench for run in runs)}
            ended = [found for name in names if (found := self._newly_ended(session, name))]
        checks = self._checks(names - {run.bench for run in runs})  # what a check found speaks before a run
        with self._lock:
            self._behind = len(rows) == AT_ONCE
            for name, checked in checks.items():
                bench = self._of(name)
                bench.proven = {zone for zone, row in checked.items() if not row.fault}
                bench.faults = [f"{zone} pad: {row.fault}" for zone, row in checked.items() if row.fault]
                if bench.last is not None:
                    bench.faults += unchecked_since(
                        bench.last["run"], bench.last["ended"], bench.last["at_fault"], checked
                    )
            for row in rows:
                bench = self._of(row.bench)
                before = self._wet_zones(bench)
                bench.glance.take(row)
                self._last_id = row.id
                if self._wet_zones(bench) != before:
                    bench.due = 0.0  # judged at once, to confirm it or take it back
            for old, judged in ended:
                bench = self._of(old.bench)
                bench.ended, bench.verdict = old, kept_verdict(old.findings) or ""
                if judged is not None:
                    bench.last = ended_with(judged)
            under_way = {run.bench: run for run in runs}
            for name in names | self._benches.keys():
                bench, run = self._of(name), under_way.get(name)
                if (run and run.id) != (bench.run and bench.run.id):
                    bench.live, bench.due, bench.tried = None, 0.0, False
                    if run is not None:
                        bench.glance.begin(run.began)
                bench.run = run
                self._raise(bench)
            told = [
                message for name, bench in self._benches.items() for message in self._changed(name, bench)
            ]
        for topic, payload in told:
            self._publish(topic, payload)

    def _checks(self, names: set[str]) -> dict[str, dict[Zone, PadCheckRow]]:
        """The last checks of the benches' pads, looked up every few seconds."""
        now = time.monotonic()
        if now < self._check_due:
            return {}
        self._check_due = now + CHECKS_S
        return {name: pad_checks(self._journal, name, time.time()) for name in names}

    def _newly_ended(self, session: Session, name: str) -> tuple[RunRow, RunRow | None] | None:
        """A bench's newest live run that has ended, and the newest that is judged; None where nothing of that is new.

        Findings are long, and read only then.
        """
        of_bench = (RunRow.bench == name, RunRow.source == "", RunRow.ended.is_not(None))
        newest = sa.select(RunRow).where(*of_bench).order_by(RunRow.id.desc()).limit(1)
        found = session.execute(newest.with_only_columns(RunRow.id, RunRow.judged_at)).first()
        known = self._of(name).ended
        if found is None or (known and (known.id, known.judged_at) == tuple(found)):
            return None
        judged = session.scalar(newest.where(RunRow.findings.is_not(None)))
        return session.get_one(RunRow, found.id), judged

    def _changed(self, name: str, bench: _Bench) -> list[tuple[str, bytes]]:
        """Lamp and alarm where they changed: the alarm from the quick look as well, so that it comes at once.

        Without a run under way there is no alarm, and the lamp holds what the last run was judged to be. A run that
        nobody has looked at yet takes no alarm back: it may have been told before a restart.
        """
        run = bench.run or bench.ended
        zones = self._wet_zones(bench)
        known = bool(zones) or bench.live is not None or bench.run is None
        stage = bench.run.stage if bench.run else "judged" if run else ""
        verdict = "" if bench.run else bench.verdict
        number = run.id if run else None
        now = (number, stage, verdict, zones, known)
        if now == bench.told:
            return []
        bench.told = now
        alarm = [alarm_message(name, zones, number)] if known else []
        return [*alarm, lamp_message(name, stage, verdict)]

    def _raise(self, bench: _Bench) -> None:
        """Note which zones are wet now, each from the moment at which that was first told."""
        now = time.time()
        bench.raised = {zone: bench.raised.get(zone, now) for zone in self._wet_zones(bench)}

    def _wet_zones(self, bench: _Bench) -> list[Zone]:
        return sorted(_wet_since(bench)) if bench.run else []

    def _looks(self) -> None:
        while not self._stopping.wait(0.2):
            with self._lock:
                waiting = [
                    (b.due, n, b.run.id)
                    for n, b in self._benches.items()
                    if b.run and b.due <= time.monotonic()
                ]
                if not waiting:
                    continue
                _, name, number = min(waiting)
                self._of(name).due = math.inf  # what the quick look finds meanwhile makes it due again
            begin = time.monotonic()
            live: Live | None = None
            try:
                live = look(self._journal, number)
            except Exception as exc:  # as above
                log.warning("bench %s: %s", name, exc if isinstance(exc, SoaktestError) else repr(exc))
            took = time.monotonic() - begin
            with self._lock:
                bench = self._of(name)
                bench.due = min(bench.due, time.monotonic() + max(LEAST_BETWEEN_S, SHARE * took))
                if live is not None and bench.run and bench.run.id == number:
                    bench.live = live
                    self._settle(bench, live)
                    if live.ripens_s is not None:
                        bench.due = min(bench.due, time.monotonic() + live.ripens_s)
                bench.tried = True

    def _settle(self, bench: _Bench, live: Live) -> None:
        """What the analysis has confirmed needs no provisional word any more."""
        for zone in live.wet_since:
            bench.glance.pads[zone].wet_since = None

    def checking(self, name: str, for_s: float) -> None:
        """Somebody checks a bench's pads for so long; 0 where that is over."""
        with self._lock:
            if name in self._benches:
                self._benches[name].checking_until = time.monotonic() + for_s

    def names(self) -> list[str]:
        """Benches heard of, in order."""
        with self._lock:
            return sorted(self._benches)

    def snapshot(self) -> dict[str, Any]:
        """All benches as the page shows them."""
        with self._lock:
            return {name: self._shown(name, bench) for name, bench in sorted(self._benches.items())}

    def strip(self, name: str) -> dict[str, Any]:
        """The live strip of one bench; empty where it is not known."""
        with self._lock:
            bench = self._benches.get(name)
            if bench is None:
                return {"pads": {}, "power": [], "phases": [], "now": time.time()}
            since = time.time() - BACK_S
            spans = bench.live.analysis.findings.phases if bench.live else []
            phases = [[s.phase, s.start, s.end, s.confidence] for s in spans if s.end > since]
            return bench.glance.strip() | {"phases": phases, "now": time.time()}

    def _shown(self, name: str, bench: _Bench) -> dict[str, Any]:
        now = time.time()
        out: dict[str, Any] = {
            "bench": name,
            "age_s": _in_steps(now - bench.glance.last_at) if bench.glance.last_at else None,
            "stale": now - bench.glance.last_at > STALE_S and not self._behind,
            "behind": self._behind or _not_looked_at(bench, now),
            "power": bench.glance.power[-1][1] if bench.glance.power else None,
            "works": any(w > WORKS_W for t, w in bench.glance.power if t > now - WORKED_S),
            "pads": {
                zone: bench.glance.pad_state(zone)
                | {"state": "", "word": "dry", "wet": False, "proven": _is_proven(bench, zone)}
                for zone in ZONES
            },
            "run": None,
            "last": bench.last,
            "faults": bench.faults,
            "checking": bench.checking_until > time.monotonic(),
            "alarm": None,
        }
        run, live = bench.run, bench.live
        for zone, pad in out["pads"].items():
            if not pad["heard"]:
                pad["word"] = "not heard"
            elif pad["lead"] != "unproven":
                pad["word"] = PAD_WORDS[pad["lead"]]
                older = [said for said in out["faults"] if not said.startswith(f"{zone} pad: {pad['word']}")]
                out["faults"] = [f"{zone} pad: {pad['word']}", *older]  # now, and not only in the last run
            elif pad["not_dry"]:
                pad["word"] = "not dry"
        if run is None:
            return out
        zones = self._wet_zones(bench)
        out["run"] = {
            "id": run.id,
            "unit": run.unit,
            "began": run.began,
            "stage": run.stage,
            "acknowledged": run.acknowledged_at,
        }
        if live is not None:
            out["run"] |= state_of(live) | {"dry_wait_s": max(round(live.dry_wait_s - (now - live.at)), 0)}
            for zone, track in live.analysis.pads.items():
                if len(track.dry):  # one meaning of wetness, here and in the judged run
                    out["pads"][zone] |= bench.glance.pad_state(zone, float(track.dry[-1]))
                # a run just begun has heard little: what arrives now says more than its word "silent"
                heard = out["pads"][zone]["heard"]
                told = "" if heard and track.state == "silent" else track.state
                out["pads"][zone]["state"] = told
                if told and out["pads"][zone]["word"] == "dry":
                    out["pads"][zone]["word"] = PAD_WORDS[told]
        for wet in zones:
            out["pads"][wet] |= {"wet": True, "word": "wet"}
        if zones:
            out["alarm"] = {
                "zones": zones,
                "times": dict(sorted(_wet_since(bench).items(), key=lambda pair: pair[1])),
                "judged": {wet: _judged(bench, wet) for wet in zones},
                "unseen": [z for z in zones if bench.raised.get(z, now) > (run.acknowledged_at or 0.0)],
            }
        return out


def _is_proven(bench: _Bench, zone: Zone) -> bool:
    """Whether a pad's broken lead would show: by the resistor at its far end, or by a check."""
    return zone in bench.proven or bench.glance.pads[zone].wiring.end_of_line_ohm is not None


def _not_looked_at(bench: _Bench, now: float) -> bool:
    """Whether a run is under way for long, and nobody has tried to judge it yet: after a start its water is told only then."""
    return bool(bench.run and not bench.tried and now - bench.run.began > LEARN_S)


def _in_steps(age_s: float) -> int:
    """Whole seconds, then steps of ten: an idle bench is no news, and is sent only as often as it is worth it."""
    return round(age_s) if age_s < STALE_S else 10 * round(age_s / 10)


def _wet_since(bench: _Bench) -> dict[Zone, float]:
    """Zones wet now and since when: by the analysis, and provisionally by the newest packs."""
    since = dict(bench.live.wet_since) if bench.live else {}
    for zone in ZONES:
        provisional = bench.glance.pads[zone].wet_since
        if provisional is not None:
            since[zone] = min(since.get(zone, provisional), provisional)
    return since


def _judged(bench: _Bench, zone: Zone) -> dict[str, Any] | None:
    """What the analysis makes of a zone's water: cause, chance of a leak, the phase that let it out; None until it is old enough."""
    events = bench.live.analysis.findings.wet_events if bench.live else []
    provisional = bench.glance.pads[zone].wet_since
    since = math.inf if provisional is None else provisional - LEARN_S
    event = next((e for e in reversed(events) if e.zone == zone and (e.end is None or e.onset > since)), None)
    if event is None or bench.live is None or not is_ripe(event, bench.live.at):
        return None
    leak = leak_chance(event)
    return {"cause": event.cause, "leak": leak, "phase": event.phase if leak >= FAIL_FROM else None}
