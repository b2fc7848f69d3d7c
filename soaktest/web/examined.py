"""Analyses and drawn timelines of ended runs: kept for those who look, and drawn ahead while nobody waits."""

from __future__ import annotations

import logging
import threading
import time
import zlib
from collections import OrderedDict
from contextlib import suppress
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, load_only

from soaktest import __version__
from soaktest.analysis.analyse import Analysis
from soaktest.bench import examine_run, find_run
from soaktest.errors import JournalError
from soaktest.journal import LATE_S, Journal
from soaktest.tables import OverviewRow, PieceRow, RunRow
from soaktest.timeline import timeline_figure
from soaktest.web.lines import joined, lines_of, pieces_of, wanted, window_lines

log = logging.getLogger("soaktest")

KEPT = 6
"""Judged runs held in memory for explanations and downloads."""
Judgement = tuple[int, float | None]
"""A run's number and when it was judged: judged anew, it is examined anew."""


class Examined:
    """Analyses of ended runs, the last few looked at."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Judgement, Analysis] = OrderedDict()
        self._lock = threading.Lock()
        self._reading: dict[Judgement, threading.Lock] = {}

    def of(self, journal: Journal, run: RunRow) -> Analysis:
        """The run's analysis; one that is not judged is examined anew each time while more of it may come."""
        if run.ended is None or (run.judged_at is None and time.time() < run.ended + LATE_S):
            return examine_run(journal, run)
        judgement = run.id, run.judged_at
        with self._lock:
            reading = self._reading.setdefault(judgement, threading.Lock())
        with reading:  # whoever asks meanwhile waits for the first, and does not read it once more
            with self._lock:
                if judgement in self._kept:
                    self._kept.move_to_end(judgement)
                    return self._kept[judgement]
            analysis = examine_run(journal, run)
            self.put(run, analysis)
        return analysis

    def put(self, run: RunRow, analysis: Analysis) -> None:
        """Remember the analysis of a run as it was judged."""
        with self._lock:
            self._kept[run.id, run.judged_at] = analysis
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)


AHEAD = 20
"""So many of the newest judged runs are drawn ahead."""
DRAWN = 60
"""So many drawn timelines are kept; an older one is drawn again when somebody looks."""
DRAWING = 3
"""Goes up when a kept timeline must be drawn anew: since 3 phases are written out, and labels keep within the plot."""
IDLE_S = 2.0


class Overviews:
    """Drawn timelines without notes. That of a judged run is kept, for a day at ten samples a second takes seconds to read."""

    def __init__(self, journal: Journal, examined: Examined) -> None:
        self._journal, self._examined = journal, examined
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._draw_ahead, name="overviews", daemon=True)

    def start(self) -> None:
        """Begin to draw ahead."""
        self._thread.start()

    def stop(self) -> None:
        """Stop drawing ahead."""
        self._stopping.set()
        self._thread.join(5)

    def of(self, run: RunRow) -> str:
        """The timeline of a run as a figure's JSON."""
        if run.stage != "judged":
            return str(timeline_figure(self._examined.of(self._journal, run)).to_json())
        with self._journal.session() as session:
            kept = session.get(OverviewRow, run.id)
        if kept is not None and kept.made_by == _maker(run.judged_at):
            return zlib.decompress(kept.figure).decode()
        return self._keep(run, self._examined.of(self._journal, run))

    def window(self, run: RunRow, start: float, end: float) -> dict[str, Any]:
        """The lines of a run within a window (UTC seconds), of the pieces that are kept where there are any."""
        fine, first, last = wanted(run.began, start, end)
        pieces = sa.select(PieceRow).where(PieceRow.run == run.id, PieceRow.fine == fine)
        pieces = pieces.where(PieceRow.hour >= first, PieceRow.hour <= last).order_by(PieceRow.hour)
        with self._journal.session() as session:
            kept = session.get(OverviewRow, run.id, options=[load_only(OverviewRow.made_by)])
            drawn = kept is not None and run.stage == "judged" and kept.made_by == _maker(run.judged_at)
            lines = joined(session.scalars(pieces), run.began) if drawn else None
        return window_lines(lines or lines_of(self._examined.of(self._journal, run)), start, end)

    def _keep(self, run: RunRow, analysis: Analysis) -> str:
        text = str(timeline_figure(analysis).to_json())
        row = OverviewRow(run=run.id, made_by=_maker(run.judged_at), figure=zlib.compress(text.encode()))
        pieces = pieces_of(run.id, run.began, lines_of(analysis))
        with suppress(JournalError), self._journal.session() as session:  # two that draw it at once keep one
            session.merge(row)
            _forget(session, [run.id])
            session.add_all(pieces)
            old = session.scalars(sa.select(OverviewRow.run).order_by(OverviewRow.run.desc()).offset(DRAWN))
            surplus = [number for number in old if number != run.id]
            _forget(session, surplus)
            session.execute(sa.delete(OverviewRow).where(OverviewRow.run.in_(surplus)))
        return text

    def _draw_ahead(self) -> None:
        pause = IDLE_S
        while not self._stopping.wait(pause):
            begin = time.monotonic()
            try:
                number = self._missing()
                if number is not None:
                    run = find_run(self._journal, number)
                    self._keep(run, examine_run(self._journal, run))
            except Exception as exc:  # drawing ahead is a convenience: it may fail, and nothing else with it
                log.warning("a timeline could not be drawn ahead: %s", exc)
                self._stopping.wait(60.0)
            pause = max(IDLE_S, 2.0 * (time.monotonic() - begin))  # the live pages come first

    def _missing(self) -> int | None:
        newest = (
            sa.select(RunRow.id, RunRow.judged_at).where(RunRow.stage == "judged").order_by(RunRow.id.desc())
        )
        with self._journal.session() as session:
            judged = session.execute(newest.limit(AHEAD)).all()
            drawn = dict(session.execute(sa.select(OverviewRow.run, OverviewRow.made_by)).tuples().all())
        return next((number for number, at in judged if drawn.get(number) != _maker(at)), None)


def _forget(session: Session, runs: list[int]) -> None:
    session.execute(sa.delete(PieceRow).where(PieceRow.run.in_(runs)))


def _maker(judged_at: float | None) -> str:
    return f"soaktest {__version__} drawing {DRAWING} {judged_at}"
