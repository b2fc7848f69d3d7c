"""Analyses and drawn timelines of ended runs: kept for those who look, and drawn ahead while nobody waits."""

from __future__ import annotations

import logging
import threading
import time
import zlib
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

import orjson
import sqlalchemy as sa
from sqlalchemy.orm import Session, load_only

from soaktest import __version__
from soaktest.analysis.analyse import Analysis
from soaktest.analysis.why import explain_events
from soaktest.bench import examine_run, find_run
from soaktest.errors import JournalError
from soaktest.journal import LATE_S, Journal
from soaktest.tables import OverviewRow, PieceRow, RunRow
from soaktest.timeline import timeline_figure
from soaktest.web.lines import joined, lines_of, pieces_of, wanted, window_lines
from soaktest.why_plot import why_figure

log = logging.getLogger("soaktest")

KEPT = 6
"""Judged runs held in memory for explanations and downloads."""
Judgement = tuple[int, float | None, str | None]
"""A run's number, when it was judged, and its unit: judged anew or named, it is examined anew."""


def _judgement(run: RunRow) -> Judgement:
    return run.id, run.judged_at, run.unit


class Examined:
    """Analyses of ended runs, the last few looked at."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Judgement, Analysis] = OrderedDict()
        self._lock = threading.Lock()
        self._reading: dict[Judgement, threading.Lock] = {}
        self._lent: dict[Judgement, Analysis] = {}

    def of(self, journal: Journal, run: RunRow) -> Analysis:
        """The run's analysis; one that is not judged is examined anew each time while more of it may come."""
        if run.ended is None or (run.judged_at is None and time.time() < run.ended + LATE_S):
            return examine_run(journal, run)
        with self._once(run):
            analysis = self._read(journal, run)
            self.put(run, analysis)
        return analysis

    @contextmanager
    def lent(self, journal: Journal, run: RunRow) -> Iterator[Analysis]:
        """The analysis of a judged run, remembered afterwards only where somebody else asked for it meanwhile."""
        judgement = _judgement(run)
        with self._once(run):
            analysis = self._lent[judgement] = self._read(journal, run)
        try:
            yield analysis
        finally:
            del self._lent[judgement]

    def _once(self, run: RunRow) -> threading.Lock:
        """Whoever asks while a run is examined waits for that, and does not examine it once more."""
        with self._lock:
            return self._reading.setdefault(_judgement(run), threading.Lock())

    def _read(self, journal: Journal, run: RunRow) -> Analysis:
        judgement = _judgement(run)
        with self._lock:
            known = self._kept.get(judgement) or self._lent.get(judgement)
        return known or examine_run(journal, run)

    def put(self, run: RunRow, analysis: Analysis) -> None:
        """Remember the analysis of a run as it was judged."""
        with self._lock:
            self._kept[_judgement(run)] = analysis
            self._kept.move_to_end(_judgement(run))
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)


AHEAD = 20
"""So many of the newest judged runs are drawn ahead."""
DRAWN = 60
"""So many drawn timelines are kept; an older one is drawn again when somebody looks."""
DRAWING = 6
"""Goes up when a kept timeline must be drawn anew: since 6 all rows have one time axis."""
IDLE_S = 2.0
LOOKING_S = 1.0
"""So long after a zoom the next is waited for, and nothing is packed that would slow it."""


class Overviews:
    """Drawn timelines without notes. That of a judged run is kept, for a day at ten samples a second takes seconds to read.

    A timeline is kept as soon as it is drawn. Its pieces and the explanations of wet events follow in a second step, which
    is taken up again after a restart: the journal itself tells where it is missing.
    """

    def __init__(self, journal: Journal, examined: Examined) -> None:
        self._journal, self._examined = journal, examined
        self._stopping, self._drawn = threading.Event(), threading.Event()
        self._zoomed = 0.0
        self._thread = threading.Thread(target=self._draw_ahead, name="overviews", daemon=True)

    def start(self) -> None:
        """Begin to draw ahead."""
        self._thread.start()

    def stop(self) -> None:
        """Stop drawing ahead."""
        self._stopping.set()
        self._drawn.set()
        self._thread.join(5)

    def of(self, run: RunRow) -> str:
        """The timeline of a run as a figure's JSON."""
        if run.stage != "judged":
            return str(timeline_figure(self._examined.of(self._journal, run)).to_json())
        kept = self._kept(run, OverviewRow.figure)
        if kept is not None:
            return zlib.decompress(kept.figure).decode()
        text = self._keep(run, self._examined.of(self._journal, run))
        self._drawn.set()
        return text

    def is_kept(self, run: RunRow) -> bool:
        """Whether its timeline can be had at once."""
        return self._kept(run) is not None

    def whys(self, run: RunRow) -> list[dict[str, Any]] | None:
        """The explanations that are kept of a run's wet events, as :func:`_explained`; None where there are none yet."""
        kept = self._kept(run, OverviewRow.whys)
        return orjson.loads(zlib.decompress(kept.whys)) if kept is not None and kept.whys else None

    def window(self, run: RunRow, start: float, end: float) -> dict[str, Any]:
        """The lines of a run within a window (UTC seconds), of the pieces that are kept where there are any."""
        self._zoomed = time.monotonic()
        fine, first, last = wanted(run.began, start, end)
        pieces = sa.select(PieceRow).where(PieceRow.run == run.id, PieceRow.fine == fine)
        pieces = pieces.where(PieceRow.hour >= first, PieceRow.hour <= last).order_by(PieceRow.hour)
        lines = None
        if self._kept(run) is not None:
            with self._journal.session() as session:
                lines = joined(session.scalars(pieces), run.began)
        return window_lines(lines or lines_of(self._examined.of(self._journal, run)), start, end)

    def _kept(self, run: RunRow, *columns: Any) -> OverviewRow | None:
        """What is kept of the run as it was judged, with some of its long columns."""
        only = [load_only(OverviewRow.made_by, *columns)]
        with self._journal.session() as session:
            kept = session.get(OverviewRow, run.id, options=only) if run.stage == "judged" else None
        return kept if kept is not None and kept.made_by == _maker(run.judged_at) else None

    def _keep(self, run: RunRow, analysis: Analysis) -> str:
        """Draw a timeline and keep it; of an earlier judgement nothing is left then."""
        text = str(timeline_figure(analysis).to_json())
        figure = zlib.compress(text.encode())
        row = OverviewRow(run=run.id, made_by=_maker(run.judged_at), figure=figure, whys=None)
        with suppress(JournalError), self._journal.session() as session:  # two that draw it at once keep one
            session.merge(row)
            _forget(session, [run.id])
            old = session.scalars(sa.select(OverviewRow.run).order_by(OverviewRow.run.desc()).offset(DRAWN))
            surplus = [number for number in old if number != run.id]
            _forget(session, surplus)
            session.execute(sa.delete(OverviewRow).where(OverviewRow.run.in_(surplus)))
        return text

    def _pack(self, run: RunRow, analysis: Analysis) -> None:
        """Keep pieces and explanations beside the drawn timeline: all or none, and none where it was judged anew meanwhile."""
        self._give_way()
        whys = zlib.compress(orjson.dumps(_explained(analysis)))
        pieces = []
        for piece in pieces_of(run.id, run.began, lines_of(analysis)):
            pieces.append(piece)
            self._give_way()
        drawn = sa.update(OverviewRow).where(
            OverviewRow.run == run.id, OverviewRow.made_by == _maker(run.judged_at)
        )
        with self._journal.session() as session:
            if session.execute(drawn.values(whys=whys)).rowcount:  # type: ignore[attr-defined]
                _forget(session, [run.id])
                session.add_all(pieces)

    def _give_way(self) -> None:
        """Whoever zooms comes first; at the end of the service nobody does."""
        while (wait := self._zoomed + LOOKING_S - time.monotonic()) > 0 and not self._stopping.wait(wait):
            pass

    def _draw_ahead(self) -> None:
        pause = IDLE_S
        while not self._stopping.is_set():
            self._drawn.wait(pause)  # what somebody waits for is packed at once
            self._drawn.clear()
            begin = time.monotonic()
            try:
                self._draw_one()
            except Exception as exc:  # drawing ahead is a convenience: it may fail, and nothing else with it
                log.warning("a timeline could not be drawn ahead: %s", exc)
                self._stopping.wait(60.0)
            pause = max(IDLE_S, 2.0 * (time.monotonic() - begin))  # the live pages come first

    def _draw_one(self) -> None:
        number = None if self._stopping.is_set() else self._missing()
        if number is None:
            return
        run = find_run(self._journal, number)
        with self._examined.lent(self._journal, run) as analysis:
            if not self.is_kept(run):
                self._keep(run, analysis)
            self._pack(run, analysis)

    def _missing(self) -> int | None:
        """A run whose timeline is not packed: one that somebody has looked at, else the newest of those drawn ahead."""
        judged = sa.select(RunRow.id, RunRow.judged_at).where(RunRow.stage == "judged")
        halves = sa.select(OverviewRow.run).where(OverviewRow.whys.is_(None))
        drawn = sa.select(OverviewRow.run, OverviewRow.made_by, OverviewRow.whys.is_not(None))
        with self._journal.session() as session:
            half = session.execute(judged.where(RunRow.id.in_(halves))).all()
            newest = session.execute(judged.order_by(RunRow.id.desc()).limit(AHEAD)).all()
            known = {number: (maker, packed) for number, maker, packed in session.execute(drawn).tuples()}
        looked_at = [number for number, at in half if known.get(number) == (_maker(at), False)]
        return next(
            iter(looked_at), next((n for n, at in newest if known.get(n) != (_maker(at), True)), None)
        )


def _explained(analysis: Analysis) -> list[dict[str, Any]]:
    """Each wet event's pad, onset (UTC seconds), sentences, and its figure as JSON text."""
    return [
        {
            "event": {"zone": why.event.zone, "onset": why.event.onset},
            "sentences": why.sentences,
            "figure": why_figure(analysis, why).to_json(),
        }
        for why in explain_events(analysis)
    ]


def _forget(session: Session, runs: list[int]) -> None:
    session.execute(sa.delete(PieceRow).where(PieceRow.run.in_(runs)))


def _maker(judged_at: float | None) -> str:
    return f"soaktest {__version__} drawing {DRAWING} {judged_at}"
