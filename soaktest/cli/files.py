"""Recordings, plans and layouts."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Annotated

import typer

from soaktest.cli.judge import LAYOUT, NUMBER, PLAN
from soaktest.cli.words import EXIT, console, show_findings, show_table
from soaktest.vocabulary import percent, plural


def record(
    number: NUMBER,
    file: Annotated[Path, typer.Argument(help="Where to write; gzipped where it ends in .gz.")],
) -> None:
    """Write a run to a recording file.

    Example: soaktest record 12 run-12.ndjson.gz
    """
    from soaktest.bench import find_run
    from soaktest.cli.runs import journal
    from soaktest.recording import write_recording

    book = journal()
    heard = book.recording(find_run(book, number))
    write_recording(file, heard.header, heard.messages)
    print(f"Run {number} written to {file}")


def replay(
    file: Annotated[Path, typer.Argument(help="A recording (.ndjson, may be gzipped).")],
    speed: Annotated[
        float, typer.Option(min=0.1, help="Times real speed; leave out for as fast as it goes.")
    ] = float("inf"),
    plan: PLAN = None,
    layout: LAYOUT = None,
) -> None:
    """Play a recording into the journal as a run, and judge it.

    It goes through the broker. Findings do not depend on the speed: the recorded arrival times are kept. The broker is
    SOAKTEST_BROKER, else an embedded one for the while. Exit status as of judge.

    Example: soaktest replay run-12.ndjson.gz --speed 60
    """
    from soaktest.bench import judge_run
    from soaktest.broker import EmbeddedBroker
    from soaktest.journal import open_journal
    from soaktest.layouts import named_layout, read_layout
    from soaktest.plans import named_plan, read_plan
    from soaktest.recording import read_recording
    from soaktest.replay import replay as play
    from soaktest.settings import read_settings

    recording = read_recording(file)
    judged_by = (
        read_plan(plan) if plan else named_plan(recording.header.plan),
        read_layout(layout) if layout else named_layout(recording.header.layout),
    )
    settings = read_settings()
    journal = open_journal(settings.database)
    with contextlib.ExitStack() as stack:
        address = settings.broker or stack.enter_context(EmbeddedBroker()).address
        with progress_bar("Replaying") as progress:
            run = play(recording, journal, address, judged_by, speed, progress)
    findings = judge_run(journal, run.id).findings
    show_findings(console(), findings)
    print(f"Kept as run {run.id}.")
    raise typer.Exit(EXIT[findings.verdict])


@contextlib.contextmanager
def progress_bar(title: str):  # type: ignore[no-untyped-def]
    """A bar on standard error, fed with (done, of)."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(title, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)


def plans(
    check: Annotated[str | None, typer.Argument(help="Check this plan: a name or a TOML file.")] = None,
) -> None:
    """List the shipped plans, or check one.

    Example: soaktest plans my-plan.toml
    """
    from soaktest.plans import read_plan
    from soaktest.toml_values import shipped_names

    for name in [check] if check else shipped_names("plans"):
        plan = read_plan(name)
        print(f"{plan.name}: {plan.title}. {plural(plan.washes, 'wash')}, watch {plan.min_watch_s / 60:.0f} min, "
              f"drip watch {plan.drip_watch_s / 60:.0f} min, shows {plan.detect_ml:g} ml.")  # fmt: skip


def layouts(
    check: Annotated[str | None, typer.Argument(help="Check this layout: a name or a TOML file.")] = None,
) -> None:
    """List the shipped layouts, or check one.

    Example: soaktest layouts front-loader
    """
    from soaktest.layouts import read_layout
    from soaktest.toml_values import shipped_names

    for name in [check] if check else shipped_names("layouts"):
        layout = read_layout(name)
        print(
            f"{layout.name}: {layout.title}. {layout.width_mm:.0f} x {layout.depth_mm:.0f} mm, {len(layout.parts)} parts."
        )
        if check:
            whole = sum(part.prior for part in layout.parts)
            rows = [
                (
                    p.id,
                    p.name,
                    f"{p.x_mm:.0f}",
                    f"{p.y_mm:.0f}",
                    ", ".join(p.wets),
                    percent(p.prior / whole),
                )
                for p in layout.parts
            ]
            show_table(("part", "name", "mm from left", "mm from front", "leaks in", "share"), rows)
