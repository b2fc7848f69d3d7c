"""Runs: begin, watch, end, list, show."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.judge import JSON, LAYOUT, NUMBER, PLAN
from soaktest.cli.words import console, show_findings, show_table, when

if TYPE_CHECKING:
    from soaktest.bench import Live
    from soaktest.journal import Journal
    from soaktest.tables import RunRow

app = typer.Typer(no_args_is_help=True)


def journal() -> Journal:
    """The journal that the settings name."""
    from soaktest.journal import open_journal
    from soaktest.settings import read_settings

    return open_journal(read_settings().database)


@app.command()
def begin(
    bench: Annotated[str, typer.Argument(help="The bench's name, as its nodes publish it.")],
    unit: Annotated[str | None, typer.Option(help="The unit's tag.")] = None,
    plan: PLAN = None,
    layout: LAYOUT = None,
    override: Annotated[
        str | None,
        typer.Option(help="Why it is begun although a pad is unsound or wet; lands on the certificate."),
    ] = None,
) -> None:
    """Begin a run on a bench, on a dry floor, before the machine is started.

    Example: soaktest run begin b1 --unit A-0417 --plan resale --layout front-loader
    """
    from soaktest.bench import begin_run, refuse_unsound
    from soaktest.errors import plain_text
    from soaktest.layouts import read_layout
    from soaktest.plans import read_plan
    from soaktest.recording import Header
    from soaktest.wire import bench_name

    tag = plain_text("unit's tag", unit or "", 64) or None
    header = Header(bench=bench_name(bench), unit=tag, began=time.time())
    chosen = read_plan(plan or "resale")
    book = journal()
    refuse_unsound(book, bench, override)
    run = begin_run(book, header, chosen, read_layout(layout or "front-loader"), override)
    print(
        f"Run {run.id} begun on bench {bench}. Keep the floor dry for {chosen.dry_watch_s / 60:.0f} min, then start the machine."
    )
    print(f"Watch it: soaktest run watch {run.id}")


@app.command()
def end(number: NUMBER) -> None:
    """End a run; judge it with: soaktest judge NUMBER."""
    from soaktest.bench import end_run

    end_run(journal(), number)
    print(f"Run {number} ended. Judge it: soaktest judge {number}")


@app.command("list")
def list_(as_json: JSON = False) -> None:
    """List runs, the newest first."""
    from soaktest.bench import list_runs

    book = journal()
    found = list_runs(book)
    if as_json:
        import orjson

        print(orjson.dumps([_summary(run) for run in found]).decode())
        return
    if not found:
        print("No run yet. Begin one: soaktest run begin b1 --unit TAG, or see: soaktest demo")
        return
    rows = [
        (
            run.id, run.bench, run.unit, _summary(run)["plan"], when(run.began), when(run.ended), run.stage,
            _summary(run)["verdict"] if run.ended else _so_far(book, run),
        )
        for run in found
    ]  # fmt: skip
    head = ("run", "bench", "unit", "plan", "began", "ended", "stage", "verdict")
    show_table(head, rows, minor=("ended", "stage", "plan"))


@app.command()
def show(number: NUMBER, as_json: JSON = False) -> None:
    """Show a run as it was last judged."""
    from soaktest.bench import find_run
    from soaktest.findings import Findings

    run = find_run(journal(), number)
    if as_json:
        import orjson

        print(
            orjson.dumps(
                _summary(run) | {"findings": orjson.loads(run.findings) if run.findings else None}
            ).decode()
        )
        return
    print(
        f"Run {run.id}, bench {run.bench}, unit {run.unit or '-'}, {run.stage}; began {when(run.began)}, ended {when(run.ended) or '-'}"
    )
    if run.findings:
        show_findings(console(), Findings.model_validate_json(run.findings))
    else:
        print(f"Not judged yet: soaktest judge {number}")


@app.command()
def watch(
    number: NUMBER,
    every: Annotated[float, typer.Option(min=0.2, help="Seconds between looks.")] = 2.0,
) -> None:
    """Watch a run: stage, phase, pads, and what the plan still needs. Ctrl-C leaves the run going.

    Lamp and alarm are published by whoever collects: soaktest collect, or soaktest serve.
    """
    from rich.live import Live as Screen

    from soaktest.bench import find_run, look

    book = journal()
    run = find_run(book, number)
    with Screen(console=console(), auto_refresh=False) as screen:
        while True:
            live = look(book, number)
            screen.update(_status(run, live), refresh=True)
            if find_run(book, number).ended is not None:
                return
            time.sleep(every)


def _status(run: RunRow, live: Live) -> str:
    from soaktest.analysis.progress import SURE_FROM
    from soaktest.thinning import microsiemens

    analysis = live.analysis
    spans = [span for span in analysis.findings.phases if span.start <= live.at - 3]
    phase = spans[-1].phase if spans and spans[-1].confidence >= SURE_FROM else "not clear yet"
    lines = [f"Run {run.id} on bench {run.bench}: {live.stage}; phase {phase}"]
    for zone, track in analysis.pads.items():
        now = f"{float(microsiemens(track.log_g[-1:])[0]):.3g} uS" if len(track.t) else "not heard"
        wet = (
            "WET"
            if any(e.zone == zone and e.end is None for e in analysis.findings.wet_events)
            else track.state
        )
        lines.append(f"  {zone:7s} {now:>12s}  {wet}")
    if live.leaked:
        lines.append(
            f"LEAK at {', '.join(live.leaked)}: stop the programme, drain, unplug, look while it is wet."
        )
    lines.append("Still needed: " + ("; ".join(live.needs) or "nothing"))
    if live.lost:
        lines.append("Cannot pass any more: " + " ".join(live.lost))
    if live.may_stop:
        lines.append(live.may_stop)
    return "\n".join(lines)


def _so_far(book: Journal, run: RunRow) -> str:
    """A run that goes on has no verdict yet, but water is told at once."""
    from soaktest.bench import look

    wet = look(book, run.id).wet_since
    return f"under way, WET at {' and '.join(wet)}" if wet else "under way"


def _summary(run: RunRow) -> dict[str, object]:
    import orjson

    from soaktest.findings import kept_verdict

    return {
        "run": run.id, "bench": run.bench, "unit": run.unit, "plan": orjson.loads(run.plan)["name"],
        "layout": orjson.loads(run.layout)["name"], "began": run.began, "ended": run.ended, "stage": run.stage,
        "verdict": kept_verdict(run.findings) if run.ended else None, "judged_at": run.judged_at,
    }  # fmt: skip
