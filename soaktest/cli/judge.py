"""Judge a run or a recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.words import EXIT, console, show_findings, show_why

if TYPE_CHECKING:
    from soaktest.analysis.analyse import Analysis

PLAN = Annotated[
    str | None,
    typer.Option("--plan", help="A shipped plan, or a TOML file; the run's own by default, else resale."),
]
LAYOUT = Annotated[
    str | None,
    typer.Option(
        "--layout", help="A shipped layout, or a TOML file; the run's own by default, else front-loader."
    ),
]
LARGEST_NUMBER = 2**53


def a_number(given: str) -> int:
    """The number of a run or an entry, as a database can hold it."""
    if not given.isdecimal() or not 1 <= int(given) <= LARGEST_NUMBER:
        raise typer.BadParameter(f"{given[:40]!r} is no number from 1 on.")
    return int(given)


NUMBER = Annotated[
    int,
    typer.Argument(parser=a_number, metavar="RUN", help="The run's number; see: soaktest run list"),
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

    Examples: soaktest judge 12; soaktest judge run.ndjson.gz --plan resale --json;
    soaktest judge 13 --together-with 12 --why
    """
    if together_with:
        from soaktest.cli.together import judge_together

        analysis, added = judge_together(what, together_with, plan, layout)
    else:
        analysis, added = _judged(what, plan, layout), []
    if timeline:
        from soaktest.timeline import write_timeline

        write_timeline(analysis, timeline)
    findings = analysis.findings
    if as_json:
        print(findings.model_dump_json(indent=2))
    else:
        out = console()
        if _under_way(what):
            out.print(f"Run {what} is under way and lacks what is still to come. As it stands now:")
        show_findings(out, findings)
        for line in added:
            out.print(f"Weighed together: {line}", markup=False)
        if why:
            show_why(out, analysis)
        if timeline:
            out.print(f"Timeline: {timeline}")
    raise typer.Exit(EXIT[findings.verdict])


def is_number(what: str) -> bool:
    """Whether a run is meant, and no file."""
    return what.isdecimal() and int(what) <= LARGEST_NUMBER and not Path(what).exists()


def _under_way(what: str) -> bool:
    from soaktest.bench import find_run
    from soaktest.journal import open_journal
    from soaktest.settings import read_settings

    return is_number(what) and find_run(open_journal(read_settings().database), int(what)).ended is None


def _judged(what: str, plan: str | None, layout: str | None) -> Analysis:
    from soaktest.layouts import named_layout, read_layout
    from soaktest.plans import named_plan, read_plan

    chosen_plan = read_plan(plan) if plan else None
    chosen_layout = read_layout(layout) if layout else None
    if is_number(what):
        from soaktest.bench import judge_run
        from soaktest.journal import open_journal
        from soaktest.settings import read_settings

        journal = open_journal(read_settings().database)
        return judge_run(journal, int(what), chosen_plan, chosen_layout)
    from soaktest.analysis.analyse import examine
    from soaktest.recording import read_recording

    recording = read_recording(what)
    header = recording.header
    return examine(
        recording,
        chosen_layout or named_layout(header.layout),
        chosen_plan or named_plan(header.plan),
    )
