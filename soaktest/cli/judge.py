"""Judge a run or a recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.words import EXIT, console, show_findings, show_why

if TYPE_CHECKING:
    from soaktest.analysis.analyse import Analysis, Knowledge

PLAN = Annotated[str | None, typer.Option("--plan", help="A shipped plan by name, or a TOML file.")]
LAYOUT = Annotated[str | None, typer.Option("--layout", help="A shipped layout by name, or a TOML file.")]
LARGEST_NUMBER = 2**53
NUMBER = Annotated[
    int, typer.Argument(min=1, max=LARGEST_NUMBER, help="The run's number; see: soaktest run list")
]
JSON = Annotated[bool, typer.Option("--json", help="Print JSON and nothing else.")]


def judge(  # noqa: PLR0913
    what: Annotated[
        str, typer.Argument(help="A run's number, or a recording file (.ndjson, may be gzipped).")
    ],
    plan: PLAN = None,
    layout: LAYOUT = None,
    as_json: JSON = False,
    timeline: Annotated[Path | None, typer.Option(help="Write the timeline page here too.")] = None,
    why: Annotated[
        bool, typer.Option("--why", help="Say of each wet event why this phase and part.")
    ] = False,
    together_with: Annotated[
        list[str] | None,
        typer.Option(
            help="An earlier run or recording of the same unit, not repaired in between; may be repeated."
        ),
    ] = None,
) -> None:
    """Judge a run or a recording: pass, fail or retest.

    Exit status: 0 pass, 1 fail, 3 retest, 2 when it cannot be judged.

    Examples: soaktest judge 12 / soaktest judge run.ndjson.gz --plan resale --json /
    soaktest judge 13 --together-with 12 --why
    """
    for other in together_with or []:
        _refuse_another_machine(what, other)
    analysis = _judged(what, plan, layout, _earlier(together_with or [], plan, layout))
    if timeline:
        from soaktest.timeline import write_timeline

        write_timeline(analysis, timeline)
    findings = analysis.findings
    if as_json:
        print(findings.model_dump_json(indent=2))
    else:
        out = console()
        show_findings(out, findings)
        if why:
            show_why(out, analysis)
        if timeline:
            out.print(f"Timeline: {timeline}")
    raise typer.Exit(EXIT[findings.verdict])


def _earlier(others: list[str], plan: str | None, layout: str | None) -> Knowledge | None:
    """What earlier runs say of the parts, each weighed with those before it, and their leak-free washes."""
    from soaktest.analysis.analyse import Knowledge

    known: Knowledge | None = None
    for other in others:
        told = _judged(other, plan, layout, known or Knowledge(earlier={}))
        clean = 0 if told.findings.wet_events else told.findings.washes
        parts = told.explanation.part_log_likelihood or (known.earlier if known else None) or {}
        known = Knowledge(earlier=parts, clean_washes=clean + (known.clean_washes if known else 0))
    return known


def _refuse_another_machine(what: str, other: str) -> None:
    """Runs are judged together only of one unit as it was: not of another, and not across a repair."""
    from soaktest.errors import InputError

    (unit, at), (before, earlier) = _unit_and_time(what), _unit_and_time(other)
    if unit and before and unit != before:
        raise InputError(
            f"{other} is of unit {before}, {what} of unit {unit}: only runs of one unit are judged together."
        )
    if unit and before and what.isdecimal() and other.isdecimal():
        from soaktest.cli.runs import journal
        from soaktest.workshop.stories import story_of

        first, last = sorted((at, earlier))
        repairs = [e for e in story_of(journal(), unit) if e.what == "repair" and first <= e.at <= last]
        if any(e.corrected_by is None for e in repairs):
            raise InputError(
                f"unit {unit} was repaired between {other} and {what}: what leaked before says nothing of it now. Judge {what} alone."
            )


def _unit_and_time(what: str) -> tuple[str | None, float]:
    if _is_number(what):
        from soaktest.bench import find_run
        from soaktest.cli.runs import journal

        run = find_run(journal(), int(what))
        return run.unit, run.began
    from soaktest.recording import read_recording

    header = read_recording(what).header
    return header.unit, header.began


def _is_number(what: str) -> bool:
    return what.isdecimal() and int(what) <= LARGEST_NUMBER and not Path(what).exists()


def _judged(what: str, plan: str | None, layout: str | None, known: Knowledge | None = None) -> Analysis:
    from soaktest.layouts import named_layout, read_layout
    from soaktest.plans import named_plan, read_plan

    chosen_plan = read_plan(plan) if plan else None
    chosen_layout = read_layout(layout) if layout else None
    if _is_number(what):
        from soaktest.bench import examine_run, find_run, judge_run
        from soaktest.journal import open_journal
        from soaktest.settings import read_settings

        journal = open_journal(read_settings().database)
        if known is not None:
            return examine_run(journal, find_run(journal, int(what)), chosen_plan, chosen_layout, known)
        return judge_run(journal, int(what), chosen_plan, chosen_layout)
    from soaktest.analysis.analyse import examine
    from soaktest.recording import read_recording

    recording = read_recording(what)
    header = recording.header
    return examine(
        recording,
        chosen_layout or named_layout(header.layout),
        chosen_plan or named_plan(header.plan),
        known,
    )
