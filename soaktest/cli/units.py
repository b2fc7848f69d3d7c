"""Units: taken in, written of, found, told, taken away and brought in; and what they teach."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated

import typer

from soaktest.cli.judge import JSON
from soaktest.cli.runs import journal
from soaktest.cli.words import console, when

app = typer.Typer(no_args_is_help=True)
learn = typer.Typer(no_args_is_help=True)
TAG = Annotated[str, typer.Argument(help="The unit's tag, such as A-0417.")]


@app.command("take-in")
def take_in(
    tag: TAG,
    kind: Annotated[str, typer.Option(help="Kind of machine, such as front-loader.")] = "",
    serial: Annotated[str, typer.Option(help="The maker's serial number.")] = "",
    complaint: Annotated[str, typer.Option(help="What its owner said.")] = "",
) -> None:
    """Take a unit in, or add to what is known of it.

    Example: soaktest unit take-in A-0417 --kind front-loader --complaint "water under it"
    """
    from soaktest.workshop.stories import take_in as keep

    keep(journal(), tag, kind, serial, complaint)
    print(f"Unit {tag} is in the book. Run it: soaktest run begin b1 --unit {tag}")


@app.command()
def write(  # noqa: PLR0913
    tag: TAG,
    what: Annotated[str, typer.Argument(help="complaint, diagnosis, repair, sold, 'came back' or note.")],
    text: Annotated[str, typer.Argument(help="In your words.")] = "",
    part: Annotated[str | None, typer.Option(help="The layout's part, such as dispenser-hose.")] = None,
    minutes: Annotated[float | None, typer.Option(help="Minutes of work.")] = None,
    cost: Annotated[float | None, typer.Option(help="Cost of parts, in your currency.")] = None,
    run: Annotated[int | None, typer.Option(help="The run it rests on.")] = None,
    personal: Annotated[str | None, typer.Option(help="A customer's data; can be erased later.")] = None,
    corrects: Annotated[int | None, typer.Option(help="The entry that this one replaces.")] = None,
) -> None:
    """Write an entry into a unit's story.

    Example: soaktest unit write A-0417 repair "new hose and clips" --part dispenser-hose --minutes 25 --cost 9.5
    """
    from soaktest.workshop.stories import Entry, write_entry

    row = write_entry(
        journal(),
        tag,
        Entry(time.time(), what, text, None, part, minutes, cost, run, None, personal),
        corrects,
    )
    print(f"Entry {row.id} written.")


@app.command()
def show(tag: TAG, as_json: JSON = False) -> None:
    """Tell a unit's story in the order of time."""
    from soaktest.workshop.stories import entry_as_dict, story_of

    story = story_of(journal(), tag)
    if as_json:
        import orjson

        print(orjson.dumps([entry_as_dict(entry) for entry in story]).decode())
        return
    from rich.markup import escape
    from rich.table import Table

    table = Table(
        "when", "no.", "what", "story", "part", "min", "cost", title=f"Unit {tag}", title_justify="left"
    )
    for e in story:
        gone = f" (corrected by {e.corrected_by})" if e.corrected_by else ""
        table.add_row(
            when(e.at), str(e.number or ""), e.what, escape(e.text) + gone, escape(e.part or ""), "" if e.minutes is None else f"{e.minutes:g}",
            "" if e.cost is None else f"{e.cost:g}",
        )  # fmt: skip
    console().print(table)


@app.command("list")
def list_(
    find: Annotated[str, typer.Argument(help="Words in tag, serial, kind or complaint.")] = "",
    as_json: JSON = False,
) -> None:
    """List units, what happened last first."""
    from soaktest.workshop.stories import list_units

    found = list_units(journal(), find)
    if as_json:
        import orjson

        rows = [
            {"unit": u.unit.tag, "kind": u.unit.kind, "serial": u.unit.serial, "complaint": u.unit.complaint, "runs": u.runs, "last": u.last,
             "last_at": u.last_at, "verdict": u.verdict}
            for u in found
        ]  # fmt: skip
        print(orjson.dumps(rows).decode())
        return
    if not found:
        print(
            f"No unit holds {find!r}."
            if find
            else "No unit yet. Take one in: soaktest unit take-in A-0417 --kind front-loader"
        )
        return
    from rich.markup import escape
    from rich.table import Table

    table = Table("unit", "kind", "complaint", "runs", "last verdict", "last")
    for u in found:
        table.add_row(
            escape(u.unit.tag),
            escape(u.unit.kind),
            escape(u.unit.complaint),
            str(u.runs),
            u.verdict or "",
            f"{u.last}, {when(u.last_at)}",
        )
    console().print(table)


@app.command("erase-personal")
def erase_personal(tag: TAG) -> None:
    """Erase the customer's data in a unit's story; everything else, and every certificate, stays."""
    from soaktest.workshop.stories import erase_personal as erase

    print(f"Erased in {erase(journal(), tag)} entries.")


@app.command("export")
def export(where: Annotated[Path, typer.Argument(help="A file ending in .json or .csv.")]) -> None:
    """Write all units and stories to a file, without personal data."""
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
    """Take in units and stories from a file; what is known already is not doubled."""
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
    print(f"{units} units and {entries} entries are new.")


@learn.command()
def shares(
    layout: Annotated[str, typer.Option(help="Kind of machine.")] = "front-loader", as_json: JSON = False
) -> None:
    """Shares of leaks by part, as shipped and with the repairs that this workshop confirmed."""
    from soaktest.layouts import read_layout
    from soaktest.workshop.learning import confirmed_causes, learned_shares

    chosen = read_layout(layout)
    told = learned_shares(chosen, confirmed_causes(journal(), chosen.name))
    if as_json:
        import orjson

        print(
            orjson.dumps(
                [
                    {"part": s.part, "before": s.before, "after": s.after, "confirmed": s.confirmed}
                    for s in told
                ]
            ).decode()
        )
        return
    from rich.table import Table

    table = Table(
        "part",
        "shipped",
        "confirmed here",
        "now",
        title=f"Shares of leaks, {chosen.name}",
        title_justify="left",
    )
    for s in sorted(told, key=lambda s: -s.after):
        table.add_row(s.name, f"{s.before:.1%}", str(s.confirmed), f"{s.after:.1%}")
    console().print(table)
    print(
        "A repair is confirmed once the unit's next run passes. The shipped shares weigh as twenty repairs."
    )


@learn.command()
def holds(
    part: Annotated[str | None, typer.Option(help="One part only.")] = None, as_json: JSON = False
) -> None:
    """How long repairs hold: the share of sold units that has not come back, with its 95 % interval."""
    from soaktest.workshop.learning import how_long_repairs_hold, times_to_comeback

    curve = how_long_repairs_hold(times_to_comeback(journal()), part)
    if as_json:
        from dataclasses import asdict

        import orjson

        print(orjson.dumps(asdict(curve)).decode())
        return
    from rich.table import Table

    table = Table(
        "days since sale",
        "held",
        "95 % interval",
        title=f"{curve.part}: {curve.units} sold, {curve.comebacks} came back",
        title_justify="left",
    )
    for i, day in enumerate(curve.days):
        if i == 0 or curve.held[i] != curve.held[i - 1]:
            table.add_row(f"{day:.0f}", f"{curve.held[i]:.0%}", f"{curve.low[i]:.0%} to {curve.high[i]:.0%}")
    console().print(table)


@learn.command("another-wash")
def another_wash(
    wash_cost: Annotated[float, typer.Option(min=0, help="What one more wash costs.")],
    comeback_cost: Annotated[float, typer.Option(min=0, help="What a comeback costs.")],
    leaky: Annotated[
        float, typer.Option(min=0.001, max=0.999, help="Share of repaired units that still leak.")
    ] = 0.1,
    per_wash: Annotated[
        float, typer.Option(min=0.001, max=0.999, help="Chance that such a unit shows it in one wash.")
    ] = 0.3,
) -> None:
    """How many leak-free washes are worth their cost before a sale."""
    from soaktest.workshop.learning import washes_worth_running, worth_of_a_wash

    n = washes_worth_running(wash_cost, comeback_cost, leaky, per_wash)
    for washes in range(n + 1):
        w = worth_of_a_wash(washes, wash_cost, comeback_cost, leaky, per_wash)
        print(
            f"after {washes} clean: {w.chance_now:.1%} still leak; one more wash saves {w.saves:.2f} for {w.costs:.2f}"
        )
    print(
        f"So run {n}. It rests on {leaky:.0%} still leaking after a repair and {per_wash:.0%} of those showing it in a wash: put in your own."
    )


@learn.command("figures")
def figures_(as_json: JSON = False) -> None:
    """The few figures of a small workshop, from its own records."""
    from dataclasses import asdict

    from soaktest.workshop.learning import figures

    f = figures(journal())
    if as_json:
        import orjson

        print(orjson.dumps(asdict(f)).decode())
        return
    print(f"{f.units} units, {f.repairs} repairs, {f.sold} sold, {f.comebacks} came back")
    for name, value, unit in (
        ("a repair takes", f.minutes_a_repair, "min"),
        ("a repair costs", f.cost_a_repair, ""),
        ("from taking in to a pass", f.hours_to_verdict, "h (median)"),
    ):
        print(f"{name}: {'not written down' if value is None else f'{value:.3g} {unit}'.strip()}")
    fixed, tried = f.fixed_first_time
    print(f"fixed the first time: {fixed} of {tried}")
