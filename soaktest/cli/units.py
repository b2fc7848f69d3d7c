"""Units: taken in, written of, found, told, taken away and brought in."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.judge import JSON, a_number
from soaktest.cli.runs import journal
from soaktest.cli.words import print_json, show_table, to_minute
from soaktest.vocabulary import plural

if TYPE_CHECKING:
    from soaktest.workshop.stories import Entry

app = typer.Typer(no_args_is_help=True)
TAG = Annotated[str, typer.Argument(help="The unit's tag, such as A-0417.")]
ON = Annotated[str, typer.Option(help="When it was, if not now: a day, or with its time, 2026-11-25T14:30.")]


@app.command("take-in")
def take_in(
    tag: TAG,
    kind: Annotated[str, typer.Option(help="Kind of machine, such as front-loader.")] = "",
    serial: Annotated[str, typer.Option(help="The maker's serial number.")] = "",
    complaint: Annotated[str, typer.Option(help="What its owner said.")] = "",
    on: ON = "",
) -> None:
    """Take a unit in, or add to what is known of it.

    Example: soaktest unit take-in A-0417 --kind front-loader --complaint "water under it"
    """
    from soaktest.workshop.days import when_given
    from soaktest.workshop.stories import take_in as keep

    keep(journal(), tag, kind, serial, complaint, when_given(on))
    print(f"Unit {tag} is in the book. Run it: soaktest run begin b1 --unit {shlex.quote(tag)}")


@app.command()
def write(  # noqa: PLR0913
    tag: TAG,
    what: Annotated[
        str,
        typer.Argument(
            help="complaint, diagnosis, repair, sold, 'came back' or note; of a correction, as it was."
        ),
    ] = "",
    text: Annotated[str, typer.Argument(help="In your words.")] = "",
    part: Annotated[
        str | None,
        typer.Option(help="The layout's part, such as dispenser-hose; 'other' for one it does not name."),
    ] = None,
    minutes: Annotated[float | None, typer.Option(help="Minutes of work.")] = None,
    cost: Annotated[
        float | None, typer.Option(help="Cost of parts, or the price of a sale, in your currency.")
    ] = None,
    work: Annotated[
        str | None, typer.Option(help="replaced, resealed, tightened, cleaned, adjusted or other.")
    ] = None,
    on: ON = "",
    run: Annotated[
        int | None, typer.Option(parser=a_number, metavar="RUN", help="The run it rests on.")
    ] = None,
    personal: Annotated[str | None, typer.Option(help="A customer's data; can be erased later.")] = None,
    corrects: Annotated[
        int | None,
        typer.Option(
            parser=a_number,
            metavar="ENTRY",
            help="The entry that this one replaces; what you leave out stays.",
        ),
    ] = None,
) -> None:
    """Write an entry into a unit's story.

    Examples: soaktest unit write A-0417 repair "new hose" --part dispenser-hose --work replaced --minutes 25 --cost 9.5;
    soaktest unit write A-0417 sold --cost 180 --on 2026-03-02; soaktest unit write A-0417 "came back" --part door-seal;
    soaktest unit write A-0417 --corrects 3 --on 2026-03-01T09:30
    """
    from soaktest.workshop.days import when_given
    from soaktest.workshop.sales import standing_doubt
    from soaktest.workshop.stories import NewEntry, write_entry

    entry = NewEntry(what, text, when_given(on), part, work, minutes, cost, run, personal, corrects)
    book = journal()
    row = write_entry(book, tag, entry)
    print(f"Entry {row.id} written.")
    if row.what in ("sold", "came back") and (doubt := standing_doubt(book, tag)):
        print(f"soaktest: {doubt}", file=sys.stderr)


@app.command()
def show(
    tag: TAG,
    page: Annotated[Path | None, typer.Option(help="Write the story to this HTML file instead.")] = None,
    as_json: JSON = False,
) -> None:
    """Tell a unit's story in the order of time.

    Example: soaktest unit show A-0417 --page A-0417.html
    """
    from soaktest.workshop.stories import entry_as_dict, story_of

    if page is not None:
        from soaktest.workshop.story_page import story_page

        page.write_text(story_page(journal(), tag), encoding="utf-8")
        print(f"Written: {page}")
        return
    story = story_of(journal(), tag)
    if as_json:
        print_json([entry_as_dict(entry) for entry in story])
        return
    rows = [(to_minute(e.at), e.number, e.what, _told(e)) for e in story]
    show_table(("when", "no.", "what", "story"), rows, f"Unit {tag}")


def _told(e: Entry) -> str:
    """An entry's words, and after them what was noted beside them."""
    beside = (
        e.part,
        e.work,
        None if e.minutes is None else f"{e.minutes:g} min",
        None if e.cost is None else f"{e.cost:.2f}",
        e.personal and f"customer: {e.personal}",
        e.corrects and f"corrects {e.corrects}",
        e.corrected_by and f"corrected by {e.corrected_by}",
    )
    noted = ", ".join(one for one in beside if one)
    return f"{e.text} ({noted})" if e.text and noted else e.text or noted


@app.command("list")
def list_(
    find: Annotated[str, typer.Argument(help="Words in tag, serial, kind or complaint.")] = "",
    only: Annotated[
        str,
        typer.Option(
            help="all, 'in hand', sold, 'came back', or of the last run: passed, failed, 'to retest'."
        ),
    ] = "all",
    by: Annotated[
        str, typer.Option(help="Sort by unit, kind, complaint, runs, verdict, last or where.")
    ] = "last",
    turned: Annotated[bool, typer.Option("--turned", help="The other way round.")] = False,
    as_json: JSON = False,
) -> None:
    """List units, what happened last first.

    Example: soaktest unit list drips --only "in hand" --by verdict
    """
    from soaktest.workshop.units import list_units, show_of, sort_of

    found = list_units(journal(), find, show_of(only), sort_of(by), turned=turned)
    if as_json:
        rows = [
            {"unit": u.unit.tag, "kind": u.unit.kind, "serial": u.unit.serial, "complaint": u.unit.complaint, "runs": u.runs, "last": u.last,
             "last_at": u.last_at, "verdict": u.verdict, "sold": u.where == "sold", "where": u.where}
            for u in found
        ]  # fmt: skip
        print_json(rows)
        return
    if not found:
        print(
            "No such unit. Show all: soaktest unit list"
            if find or only != "all"
            else "No unit yet. Take one in: soaktest unit take-in A-0417 --kind front-loader"
        )
        return
    lines = [
        (u.unit.tag, u.unit.kind, u.unit.complaint, u.runs, u.named, u.last, to_minute(u.last_at), u.where)
        for u in found
    ]
    head = ("unit", "kind", "complaint", "runs", "verdict", "last", "when", "where")
    show_table(head, lines, minor=("runs", "kind", "complaint"))


@app.command("erase-personal")
def erase_personal(tag: TAG) -> None:
    """Erase the customer's data in a unit's story.

    Everything else, and every certificate, stays.

    Example: soaktest unit erase-personal A-0417
    """
    from soaktest.workshop.stories import erase_personal as erase

    done = erase(journal(), tag)
    print(f"Erased in {plural(done, 'entry')}.")


@app.command("export")
def export(where: Annotated[Path, typer.Argument(help="A file ending in .json or .csv.")]) -> None:
    """Write all units to a file, without personal data.

    Example: soaktest unit export units.csv
    """
    from soaktest.errors import InputError
    from soaktest.workshop.exchange import export_csv, export_json

    if where.suffix == ".csv":
        where.write_text(export_csv(journal()), encoding="utf-8")
    elif where.suffix == ".json":
        where.write_bytes(export_json(journal()))
    else:
        raise InputError(f"{where}: the name must end in .json or .csv.")
    print(f"Written: {where}")


@app.command("import")
def import_(
    where: Annotated[Path, typer.Argument(help="A file as export writes it.", exists=True, dir_okay=False)],
) -> None:
    """Take in units and stories from a file.

    All of it or none; what is known already is not doubled, and stays as it is. Runs are not in it: they travel as recordings (soaktest record, soaktest replay).

    Example: soaktest unit import units.csv
    """
    from soaktest.errors import InputError
    from soaktest.workshop.exchange import import_json, import_table

    try:
        units, entries = (
            import_json(journal(), where.read_bytes())
            if where.suffix == ".json"
            else import_table(journal(), where.read_text("utf-8"))
        )
    except UnicodeDecodeError as exc:
        raise InputError(f"{where}: is no UTF-8 text. Save it as UTF-8.") from exc
    print(f"New: {plural(units, 'unit')}, {plural(entries, 'entry')}.")
