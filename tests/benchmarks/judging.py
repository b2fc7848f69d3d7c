"""Where the time of judging 90 minutes goes: ``python -m tests.benchmarks.judging``.

Three pads at 5 Hz and a phase node with four channels at 5 Hz. Seconds are of this machine and moment;
the shares, and the ratio to plain JSON decoding of the same file in the same run, can be compared.
"""

from __future__ import annotations

import json
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from soaktest.analysis.analyse import analyse
from soaktest.analysis.causes import explain_wetting
from soaktest.analysis.coverage import survey
from soaktest.analysis.pads import read_pads
from soaktest.analysis.phases import infer_phases
from soaktest.analysis.signals import gather
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import read_recording, write_recording
from soaktest.simulate.bench import Scenario, simulate
from soaktest.simulate.water import Leak

T = TypeVar("T")


def best_of(what: Callable[[], T], times: int = 3) -> tuple[float, T]:
    """Shortest time of some tries, and the answer."""
    took = []
    for _ in range(times):
        begin = time.perf_counter()
        answer = what()
        took.append(time.perf_counter() - begin)
    return min(took), answer


def main() -> None:
    """Print the table."""
    scenario = Scenario(
        seed=77, programmes=("cotton", "quick"), leak=Leak("door-seal", 3.0), plan="resale", drip_watch_s=900
    )
    recording, _ = simulate(scenario)
    layout, plan = read_layout("front-loader"), read_plan("resale")
    with tempfile.TemporaryDirectory() as folder:
        path = write_recording(Path(folder) / "run.ndjson", recording.header, recording.messages)
        size, minutes = path.stat().st_size, (recording.header.ended or 0.0) - recording.header.began
        plain, _ = best_of(lambda: [json.loads(line) for line in path.read_text().splitlines()])
        rows = []
        took, signals = best_of(lambda: gather(read_recording(path)))
        rows.append(("read, parse, align", took))
        took, pads = best_of(lambda: read_pads(signals))
        rows.append(("pads", took))
        took, phases = best_of(lambda: infer_phases(signals))
        rows.append(("phases", took))
        took, _heard = best_of(lambda: survey(signals, pads, phases, plan))
        rows.append(("coverage", took))
        took, _told = best_of(lambda: explain_wetting(signals, pads, phases, layout))
        rows.append(("causes, place, suspects", took))
        whole, _ = best_of(lambda: analyse(read_recording(path), layout, plan))
    print(f"{minutes / 60:.0f} min, {size / 1e6:.1f} MB")
    for name, took in rows:
        print(f"{name:26s} {took:6.3f} s  {took / whole:5.0%}")
    print(f"{'whole':26s} {whole:6.3f} s  {whole / plain:.2f} x plain JSON decoding of the file")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
