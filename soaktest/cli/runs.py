"""Runs: begin, watch, end, list, show."""

from __future__ import annotations

import contextlib
import re
import shlex
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.judge import JSON, NUMBER
from soaktest.cli.words import clock, console, print_json, show_findings, show_table, to_minute, when
from soaktest.vocabulary import PadState

if TYPE_CHECKING:
    from soaktest.bench import Live
    from soaktest.journal import Journal
    from soaktest.tables import RunRow

app = typer.Typer(no_args_is_help=True)
JUDGED_WITHIN_S = 10.0
"""The page ends a run first and judges it then: so long the verdict is waited for."""
STATES: dict[PadState, str] = {
    "sound": "dry", "unproven": "dry, but not proven whole", "open": "lead broken", "short": "shorted", "stuck": "never moves",
    "silent": "not heard", "drifting": "wanders", "wet": "wet",
}  # fmt: skip
"""What a pad's state means to who stands before it."""


def journal() -> Journal:
    """The journal that the settings name."""
    from soaktest.journal import open_journal
    from soaktest.settings import read_settings

    return open_journal(read_settings().database)


@app.command()
def begin(
    bench: Annotated[str, typer.Argument(help="The bench's name, as its nodes publish it.")],
    unit: Annotated[str | None, typer.Option(help="The unit's tag.")] = None,
    plan: Annotated[str, typer.Option(help="A shipped plan, or a TOML file.")] = "resale",
    layout: Annotated[str, typer.Option(help="A shipped layout, or a TOML file.")] = "front-loader",
    override: Annotated[
        str | None,
        typer.Option(
            help="Why it is begun although a pad is unsound, wet or not heard, or the bench never was; lands on the certificate."
        ),
    ] = None,
) -> None:
    """Begin a run, on a dry floor, before the machine is started.

    Example: soaktest run begin b1 --unit A-0417 --plan resale --layout front-loader
    """
    from soaktest.bench import begin_run
    from soaktest.errors import plain_text
    from soaktest.layouts import read_layout
    from soaktest.plans import read_plan
    from soaktest.readiness import refuse_unready
    from soaktest.recording import Header
    from soaktest.wire import bench_name
    from soaktest.workshop.stories import is_known

    tag = plain_text("unit's tag", unit or "", 64) or None
    header = Header(bench=bench_name(bench), unit=tag, began=time.time())
    chosen = read_plan(plan)
    book = journal()
    refuse_unready(book, bench, override)
    if tag and not is_known(book, tag):
        print(f"Unit {tag} is new: put in the book. Say what it is: soaktest unit take-in {shlex.quote(tag)}")
    run = begin_run(book, header, chosen, read_layout(layout), override)
    print(
        f"Run {run.id} begun on bench {bench}. Keep the floor dry for {chosen.dry_watch_s / 60:.0f} min, then start the machine."
    )
    print(f"Watch it: soaktest run watch {run.id}")


@app.command()
def end(number: NUMBER) -> None:
    """End a run, to be judged next.

    Example: soaktest run end 12; soaktest judge 12
    """
    from soaktest.bench import end_run

    end_run(journal(), number)
    print(f"Run {number} ended. Judge it: soaktest judge {number}")


@app.command()
def unit(number: NUMBER, tag: Annotated[str, typer.Argument(help="The unit's tag, such as A-0417.")]) -> None:
    """Say whose run it was, where it was begun without a unit's tag.

    A run that names its unit keeps it. Only a run with a unit can be certified.

    Example: soaktest run unit 12 A-0417
    """
    from soaktest.bench import name_unit

    run = name_unit(journal(), number, tag)
    print(f"Run {number} is of unit {run.unit}; its story says when that was told.")


@app.command("list")
def list_(as_json: JSON = False) -> None:
    """List runs, the newest first.

    Example: soaktest run list
    """
    from soaktest.bench import list_runs
    from soaktest.findings import kept_name
    from soaktest.settings import read_settings

    book = journal()
    found = list_runs(book)
    if as_json:
        print_json([_summary(run) for run in found])
        return
    if not found:
        print(
            f"No run yet in {read_settings().data}. Begin one: soaktest run begin b1 --unit TAG, or see: soaktest demo"
        )
        return
    rows = [
        (
            run.id, run.bench, run.unit, _summary(run)["plan"], to_minute(run.began), to_minute(run.ended), run.stage,
            kept_name(run.findings) if run.ended else _so_far(book, run),
        )
        for run in found
    ]  # fmt: skip
    head = ("run", "bench", "unit", "plan", "began", "ended", "stage", "verdict")
    show_table(head, rows, minor=("ended", "stage", "plan"))


@app.command()
def show(number: NUMBER, as_json: JSON = False) -> None:
    """Show a run as it was last judged.

    Example: soaktest run show 12
    """
    from soaktest.bench import find_run
    from soaktest.findings import kept_name, kept_whole

    run = find_run(journal(), number)
    if as_json:
        import orjson

        print_json(_summary(run) | {"findings": orjson.loads(run.findings) if run.findings else None})
        return
    print(
        f"Run {run.id}, bench {run.bench}, unit {run.unit or '-'}, {run.stage}; began {when(run.began)}, ended {when(run.ended) or '-'}"
    )
    if told := kept_whole(run.findings):
        show_findings(console(), told)
    elif run.findings:
        print(
            f"{kept_name(run.findings)}, by another version of this program. To see why, judge it anew: soaktest judge {number}"
        )
    else:
        print(f"Not judged yet: soaktest judge {number}")


@app.command()
def watch(
    number: NUMBER,
    every: Annotated[float, typer.Option(min=0.2, help="Seconds between looks.")] = 2.0,
) -> None:
    """Watch a run: stage, phase, pads, what is still needed.

    Ctrl-C leaves the run going. Lamp and alarm are published by whoever collects: soaktest collect, or soaktest serve.

    Example: soaktest run watch 12
    """
    from soaktest.bench import find_run, look

    book, ran_at = journal(), float("-inf")
    with _screen() as show:
        while True:
            run = find_run(book, number)
            if run.ended is None:
                show(_status(run, look(book, number)))
                ran_at = time.monotonic()
            else:
                show([_ended(run)])
                if run.findings or time.monotonic() > ran_at + JUDGED_WITHIN_S:
                    return
            time.sleep(every)


@contextlib.contextmanager
def _screen() -> Iterator[Callable[[list[str]], None]]:
    """A terminal shows the newest look; a file or pipe has each line with its time when it says something new."""
    from rich.live import Live as Screen
    from rich.text import Text

    out = console()
    if out.is_terminal:
        with Screen(console=out, auto_refresh=False) as screen:
            yield lambda lines: screen.update(Text("\n".join(lines)), refresh=True)
        return
    said: set[str] = set()

    def tell(lines: list[str]) -> None:
        now = {_without_reading(line): line for line in lines}
        for key, line in now.items():
            if key not in said:
                print(f"{clock(time.time())} {line}", flush=True)
        said.clear()
        said.update(now)

    yield tell


def _without_reading(line: str) -> str:
    """A line without its pad's reading: that alone is no news."""
    return re.sub(r"\S+ µS", "µS", line)


def _ended(run: RunRow) -> str:
    from soaktest.findings import kept_name

    verdict = kept_name(run.findings)
    state = f"verdict {verdict}" if verdict else f"not judged yet: soaktest judge {run.id}"
    if run.stage == "cancelled":
        state = "cancelled, not to be judged"
    return f"Run {run.id} on bench {run.bench}: ended, {state}"


def _status(run: RunRow, live: Live) -> list[str]:
    from soaktest.analysis.progress import SURE_FROM
    from soaktest.thinning import microsiemens

    analysis = live.analysis
    spans = [span for span in analysis.findings.phases if span.start <= live.at - 3]
    phase = spans[-1].phase if spans and spans[-1].confidence >= SURE_FROM else "not clear yet"
    lines = [f"Run {run.id} on bench {run.bench}: {live.stage}; phase {phase}"]
    for zone, track in analysis.pads.items():
        now = f"{float(microsiemens(track.log_g[-1:])[0]):.3g} µS" if len(track.t) else "not heard"
        wet = next((e for e in analysis.findings.wet_events if e.zone == zone and e.end is None), None)
        state = f"WET since {clock(wet.onset)} ({wet.cause})" if wet else STATES[track.state]
        lines.append(f"  {zone:7s} {now:>12s}  {state}")
    if live.leaks:
        where = ", ".join(f"{zone} since {clock(at)}" for zone, at in live.leaked.items())
        lines.append(f"LEAK at {where}: stop the programme, drain, unplug, look while it is wet.")
    lines.append("Still needed: " + ("; ".join(live.needs) or "nothing"))
    if live.lost:
        lines.append("Cannot pass: " + " ".join(reason.text for reason in live.lost))
    if live.may_stop:
        lines.append(live.may_stop)
    return lines


def _so_far(book: Journal, run: RunRow) -> str:
    """A run that goes on has no verdict yet, but water is told at once."""
    from soaktest.bench import look, so_far

    live = look(book, run.id)
    return so_far(list(live.wet_since), list(live.leaked), cannot_pass=bool(live.lost))


def _summary(run: RunRow) -> dict[str, object]:
    import orjson

    from soaktest.findings import kept_verdict

    return {
        "run": run.id, "bench": run.bench, "unit": run.unit, "plan": orjson.loads(run.plan)["name"],
        "layout": orjson.loads(run.layout)["name"], "began": run.began, "ended": run.ended, "stage": run.stage,
        "verdict": kept_verdict(run.findings) if run.ended else None, "judged_at": run.judged_at,
    }  # fmt: skip
