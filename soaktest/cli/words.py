"""Findings in the words of a repairer, for a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from soaktest.vocabulary import percent, plural

if TYPE_CHECKING:
    from _typeshed import DataclassInstance
    from rich.console import Console

    from soaktest.analysis.analyse import Analysis
    from soaktest.findings import Findings

STYLES = {"pass": "bold green", "fail": "bold red", "retest": "bold yellow"}
TELLING_BITS = 0.1
"""A wash that would tell less than this about the suspects is not worth the water."""
GAP = 2
"""Blanks between two columns of a table."""
WHOLE = 16
"""Characters up to which a cell, such as a date or a part's id, stays on one line."""
LONGEST_WORD = 32
"""Characters; a longer one, such as an address, may be broken."""
SENTENCE = 18
"""Characters below which a column of sentences is a ladder of words."""
EXIT = {"pass": 0, "fail": 1, "retest": 3}


def console() -> Console:
    """A console on standard output."""
    from rich.console import Console

    return Console(highlight=False)


def when(t: float | None) -> str:
    """Local date and time."""
    return "" if t is None else datetime.fromtimestamp(t).astimezone().strftime("%Y-%m-%d %H:%M:%S")


def to_minute(t: float | None) -> str:
    """The same to the minute, for tables: one column, one line."""
    return when(t)[:16]


def clock(t: float) -> str:
    """Local time of day."""
    return when(t)[11:]


def printable(text: str) -> str:
    """Text on one line without what a terminal would obey: line breaks become blanks, control codes a mark."""
    return "".join(c if c.isprintable() else "\ufffd" for c in " ".join(text.splitlines()))


def print_json(told: object) -> None:
    """JSON and nothing else."""
    import orjson

    print(orjson.dumps(told).decode())


def print_where_enough(ask: Callable[[], DataclassInstance]) -> None:
    """An answer as JSON, or what it still needs where too little is written down: that is an answer too."""
    from dataclasses import asdict

    from soaktest.errors import NotEnough

    try:
        print_json({"enough": True} | asdict(ask()))
    except NotEnough as exc:
        print_json({"enough": False, "why": str(exc), "needs": exc.needs})


def show_table(
    head: Sequence[str], rows: Iterable[Sequence[object]], title: str = "", minor: Sequence[str] = ()
) -> None:
    """Print a table whose cells are shown as they are, whatever characters they hold; columns all empty are left out.

    Dates, ids and words stay whole: where the terminal is too narrow for that, columns of ``minor`` are left out, the first
    one first, and named below.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    told = [["" if cell is None else printable(str(cell)) for cell in row] for row in rows]
    columns = {name: [row[i] for row in told] for i, name in enumerate(head) if any(row[i] for row in told)}
    out, left_out = console(), []
    widths = _widths(columns, out.width)
    for name in minor:
        if widths is None and name in columns:
            del columns[name]
            left_out.append(name)
            widths = _widths(columns, out.width)
    widths = widths or _widths(columns, out.width, whole=0)
    table = Table(
        title=Text(printable(title)) if title else None, title_justify="left", box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False,
        padding=(0, GAP - 1, 0, 0),
    )  # fmt: skip
    for i, name in enumerate(columns):
        table.add_column(name, width=widths[i] if widths else None, overflow="fold")
    for cells in zip(*columns.values(), strict=True):
        table.add_row(*map(Text, cells))
    out.print(table)
    if left_out:
        out.print(f"[dim]Left out for want of room: {', '.join(left_out)}. A wider terminal shows all.[/]")


def _widths(columns: Mapping[str, Sequence[str]], room: int, whole: int = WHOLE) -> list[int] | None:
    """Characters for each column so that no word is broken, nor a column of at most ``whole`` characters, the rest shared
    out among those that want more; None where there is no room for that.
    """
    from rich.cells import cell_len

    least, wanted = [], []
    for name, cells in columns.items():
        words = [min(cell_len(word), LONGEST_WORD) for cell in (name, *cells) for word in cell.split()]
        wanted.append(max(cell_len(cell) for cell in (name, *cells)))
        short = wanted[-1] if wanted[-1] <= whole else 0
        least.append(max(*words, short, SENTENCE if wanted[-1] > 2 * SENTENCE else 0))
    spare = room - sum(least) - GAP * (len(columns) - 1)
    if spare < 0:
        return None
    widths = least
    for k, i in enumerate(sorted(range(len(least)), key=lambda i: wanted[i] - least[i])):
        more = min(wanted[i] - least[i], spare // (len(least) - k))
        widths[i], spare = widths[i] + more, spare - more
    return widths


def show_findings(out: Console, findings: Findings) -> None:
    """Print the verdict, its reasons, what was wet, and what to look at."""
    from rich.markup import escape
    from rich.padding import Padding
    from rich.table import Table

    from soaktest.findings import verdict_in_words

    name, meaning = verdict_in_words(findings)
    style = STYLES[findings.verdict]
    unit = f"unit {printable(findings.unit)}, " if findings.unit else ""
    out.print(
        f"[{style}]{name}[/]: {meaning}  ({escape(unit)}bench {findings.bench}, plan {escape(findings.plan)})"
    )
    for reason in findings.reasons:
        out.print(Padding(f"- {escape(reason.text)}", (0, 0, 0, 2)))
        if reason.mend and findings.verdict != "pass":
            out.print(Padding(f"[dim]{escape(reason.mend)}[/]", (0, 0, 0, 4)))
    if findings.wet_events:
        table = Table(
            "pad", "wet since", "cause", "let out in", "water, ml", title="Wet events", title_justify="left"
        )
        for event in findings.wet_events:
            water = event.water_ml
            table.add_row(
                event.zone, when(event.onset), event.cause, event.phase or "",
                f"{water.best:.1f} ({water.low:.1f} to {water.high:.0f})" if water else "",
            )  # fmt: skip
        out.print(table)
    if findings.suspects:
        table = Table(
            "chance", "part", "look", title="Suspects: unplug the machine first", title_justify="left"
        )
        for suspect in findings.suspects[:4]:
            table.add_row(percent(suspect.probability), escape(suspect.name), escape(suspect.look))
        out.print(table)
    if (
        findings.next_washes
        and findings.verdict == "fail"
        and findings.next_washes[0].gain_bits >= TELLING_BITS
    ):
        best = findings.next_washes[0]
        out.print(f"To tell them apart next: {escape(best.title.lower())}. {escape(best.why)}")
    coverage = findings.coverage
    out.print(
        f"[dim]{plural(findings.washes, 'complete wash')}; watched {coverage.watched_s / 60:.0f} min, "
        f"{percent(coverage.share, 1)} heard; longest gap {coverage.longest_gap_s:.1f} s; "
        f"{plural(findings.set_aside, 'message')} set aside, {plural(findings.lost_packs, 'pack')} lost.[/]"
    )


def show_why(out: Console, analysis: Analysis) -> None:
    """Print of each wet event why this phase and why this part, and what else it may be."""
    from rich.markup import escape

    from soaktest.analysis.why import explain_events

    for why in explain_events(analysis):
        out.print(f"[bold]Why, {why.event.zone} pad wet since {when(why.event.onset)}[/]")
        for sentence in why.sentences:
            out.print(f"  {escape(sentence)}")
    if not analysis.findings.wet_events:
        out.print("No wet event to explain.")
