"""Phases from power alone on real machines' recordings: ``python -m tests.accuracy.real_power``.

The folder with recordings and labels is named by SOAKTEST_OPEN_DATA. Labels are by eye; ``fluff``
(loosening strokes) is left out of the score.
"""

from __future__ import annotations

import csv
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from soaktest.analysis.phase_frames import LOW_W
from soaktest.analysis.phases import infer_phases
from soaktest.analysis.series import PhaseTrack, Series, Signals
from soaktest.analysis.signals import gather
from soaktest.recording import read_recording
from soaktest.vocabulary import PHASES

Spans = Sequence[tuple[float, float, str]]
"""Seconds since the recording began, from and to, and the phase."""


class Score(NamedTuple):
    """Share of labelled seconds right, and counts by (labelled, decoded)."""

    name: str
    share: float
    confusion: Counter[tuple[str, str]]


def folder() -> Path | None:
    """Where the recordings are, or None."""
    named = os.environ.get("SOAKTEST_OPEN_DATA")
    return Path(named) if named else None


def labels(where: Path) -> dict[str, list[tuple[float, float, str]]]:
    """Spans (seconds since the recording began, phase) by recording."""
    found: dict[str, list[tuple[float, float, str]]] = {}
    with (where / "labels.csv").open() as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
            found.setdefault(row["recording"], []).append(
                (float(row["start_s"]), float(row["end_s"]), row["phase"])
            )
    return found


def score(name: str, track: PhaseTrack, began: float, spans: Spans) -> Score:
    """Second by second, fluff left out."""
    confusion: Counter[tuple[str, str]] = Counter()
    for start, end, phase in spans:
        if phase == "fluff":
            continue
        for second in range(int(start), int(end)):
            confusion[phase, track.at(began + second + 0.5) or "idle"] += 1
    right = sum(n for (a, b), n in confusion.items() if a == b)
    return Score(name, right / max(sum(confusion.values()), 1), confusion)


def macro_f1(confusion: Counter[tuple[str, str]]) -> float:
    """Mean over phases of F1."""
    scores = []
    for phase in PHASES:
        hit = confusion[phase, phase]
        labelled = sum(n for (a, _), n in confusion.items() if a == phase)
        decoded = sum(n for (_, b), n in confusion.items() if b == phase)
        if labelled:
            scores.append(2 * hit / (labelled + decoded))
    return float(np.mean(scores))


def warped(
    signals: Signals,
    spans: Spans = (),
    *,
    step_s: float = 0.0,
    mean: bool = True,
    scale: float = 1.0,
    low: float = 1.0,
    cut_s: float = 0.0,
    lost: float = 0.0,
    pump_w: float = 0.0,
    power_factor: float = 0.0,
) -> Signals:
    """The same run sampled more coarsely, at other levels (``low``: of valve and pump alone), begun late, torn by
    silences of 20 to 90 s, with a pump that draws a flat ``pump_w`` wherever water is let out, or as current to 0.02 A.
    """
    power = signals.other("power")
    t, v = power.t, power.v * scale
    v = np.where(v < LOW_W, np.minimum(v * low, 0.9 * LOW_W), v)
    rng = np.random.default_rng(1)
    for start, end, phase in spans if pump_w else ():
        if phase in ("drain", "spin"):
            pumping = (t >= signals.began + start) & (t < signals.began + end) & (v > 12.0) & (v < LOW_W)
            v[pumping] = pump_w + rng.normal(0.0, 1.0, int(pumping.sum()))
    if step_s:
        edges = np.arange(t[0], t[-1] - step_s, step_s)
        fine = np.arange(t[0], t[-1], 0.5)
        held = v[np.minimum(np.searchsorted(t, fine), len(t) - 1)]
        if mean:
            which = ((fine - t[0]) // step_s).astype(int)
            total = np.bincount(which, held) / np.maximum(np.bincount(which), 1)
            v = total[: len(edges)]
        else:
            v = held[np.minimum(((edges + step_s - t[0]) * 2).astype(int), len(held) - 1)]
        t = edges + step_s
    keep = t >= signals.began + cut_s
    silent = 0.0
    while silent < lost * (t[-1] - t[0]):
        begin, length = rng.uniform(t[0], t[-1]), rng.uniform(20.0, 90.0)
        keep &= (t < begin) | (t >= begin + length)
        silent += length
    if power_factor:
        v = (
            np.maximum(np.round((v / 230.0 / power_factor + rng.normal(0.0, 0.01, len(v))) / 0.02), 0.0)
            * 0.02
        )
    name = "current" if power_factor else "power"
    return Signals(signals.began + cut_s, signals.ended, others={name: Series(t[keep], v[keep])})


VARIANTS: dict[str, dict[str, float | bool]] = {
    "as recorded": {}, "2 s means": {"step_s": 2.0}, "5 s means": {"step_s": 5.0}, "5 s instants": {"step_s": 5.0, "mean": False},
    "3 s instants": {"step_s": 3.0, "mean": False}, "6 s instants": {"step_s": 6.0, "mean": False}, "8 s instants": {"step_s": 8.0, "mean": False},
    "levels x0.7": {"scale": 0.7}, "levels x1.3": {"scale": 1.3}, "valve and pump x0.6": {"low": 0.6}, "valve and pump x1.5": {"low": 1.5},
    "a pump of 79 W": {"pump_w": 79.0}, "a pump of 47 W": {"pump_w": 47.0}, "a tenth lost": {"lost": 0.1}, "begun 1,200 s late": {"cut_s": 1200.0},
    "current, factor 0.6": {"power_factor": 0.6}, "current, factor 0.8": {"power_factor": 0.8}, "current, factor 1": {"power_factor": 1.0},
}  # fmt: skip


def measure(where: Path, **variant: float | bool) -> Iterator[Score]:
    """Score every labelled recording."""
    for name, spans in labels(where).items():
        signals = gather(read_recording(where / f"{name}.ndjson.gz"))
        track = infer_phases(warped(signals, spans, **variant) if variant else signals)  # type: ignore[arg-type]
        cut = float(variant.get("cut_s", 0.0))
        yield score(name, track, signals.began, [(max(a, cut), b, p) for a, b, p in spans if b > cut])


def main() -> None:
    """Print the table."""
    where = folder()
    if where is None:
        raise SystemExit("Set SOAKTEST_OPEN_DATA to the folder with the recordings and labels.csv.")
    for title, variant in VARIANTS.items():
        scores = list(measure(where, **variant))
        total = sum((s.confusion for s in scores), Counter())
        right = sum(n for (a, b), n in total.items() if a == b) / sum(total.values())
        worst = min(scores, key=lambda s: s.share)
        print(
            f"{title:20s} right {right:.3f}  macro-F1 {macro_f1(total):.3f}  worst {worst.share:.3f} {worst.name}"
        )
        if not variant:
            for s in scores:
                wrong = [(f"{a}>{b}", n) for (a, b), n in s.confusion.most_common() if a != b][:5]
                print(f"    {s.name:32s} {s.share:.3f}  {wrong}")


if __name__ == "__main__":
    main()
