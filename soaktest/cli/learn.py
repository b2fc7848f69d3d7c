"""What repairs and comebacks teach, at the command line."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from soaktest.cli.judge import JSON
from soaktest.cli.runs import journal
from soaktest.cli.words import print_json, print_where_enough, show_table
from soaktest.vocabulary import percent, plural

if TYPE_CHECKING:
    from soaktest.workshop.money import Middle, Part

app = typer.Typer(no_args_is_help=True)
SHOWN = 10
"""Washes told one by one."""


@app.command()
def shares(
    layout: Annotated[str, typer.Option(help="Kind of machine.")] = "front-loader", as_json: JSON = False
) -> None:
    """Shares of leaks by part, as shipped and learned.

    With the causes that this workshop confirmed.

    Example: soaktest learn shares --layout top-loader
    """
    from soaktest.layouts import read_layout
    from soaktest.workshop.learning import HOW_CONFIRMED, confirmed_causes, learned_shares

    chosen = read_layout(layout)
    told = learned_shares(chosen, confirmed_causes(journal(), chosen.name))
    if as_json:
        print_json([asdict(share) for share in told])
        return
    rows = [
        (s.name, s.part, percent(s.before, 1), f"{s.confirmed:g}", percent(s.after, 1))
        for s in sorted(told, key=lambda s: -s.after)
    ]
    head = ("name", "part", "shipped", "confirmed here", "now")
    show_table(head, rows, f"Shares of leaks, {chosen.name}")
    print(HOW_CONFIRMED)


@app.command()
def holds(
    part: Annotated[str | None, typer.Option(help="After repairs of this part only.")] = None,
    work: Annotated[str | None, typer.Option(help="After this kind of work only, such as tightened.")] = None,
    as_json: JSON = False,
) -> None:
    """How long repairs hold.

    The share of sold units that has not come back, with its 95 % interval.

    Example: soaktest learn holds --part door-seal --work replaced
    """
    from soaktest.workshop.lasting import how_long_repairs_hold, times_to_comeback

    observed = times_to_comeback(journal())
    if as_json:
        print_where_enough(lambda: how_long_repairs_hold(observed, part, work))
        return
    curve = how_long_repairs_hold(observed, part, work)
    rows = [
        (f"{day:.0f}", percent(curve.held[i]), f"{percent(curve.low[i])} to {percent(curve.high[i])}")
        for i, day in enumerate(curve.days)
        if i == 0 or curve.held[i] != curve.held[i - 1]
    ]
    title = f"{curve.of}: {curve.units} sold, {curve.comebacks} came back"
    show_table(("days since sale", "still away", "95 % interval"), rows, title)


@app.command("another-wash")
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
    """How many washes are worth their cost before a sale.

    Example: soaktest learn another-wash --wash-cost 2 --comeback-cost 60
    """
    from soaktest.workshop.money import washes_worth_running, worth_of_a_wash

    n = washes_worth_running(wash_cost, comeback_cost, leaky, per_wash)
    for washes in range(min(n, SHOWN)):
        w = worth_of_a_wash(washes, wash_cost, comeback_cost, leaky, per_wash)
        print(
            f"After {plural(washes, 'clean wash')} {percent(w.chance_now, 1)} still leak: one more costs {w.costs:.2f} and saves {w.saves:.2f}."
        )
    w = worth_of_a_wash(n, wash_cost, comeback_cost, leaky, per_wash)
    costs = f"costs {w.costs:.2f} and saves {w.saves:.2f}."
    print(f"Run {plural(n, 'further wash')}: one more {costs}" if n else f"Run no further wash: it {costs}")
    print(
        f"It rests on {percent(leaky)} still leaking after a repair, and {percent(per_wash)} of those showing it in a wash: put in your own."
    )


@app.command("figures")
def figures_(
    hour_cost: Annotated[
        float | None,
        typer.Option(min=0, help="What an hour of work costs, counted into the cost of a repair."),
    ] = None,
    as_json: JSON = False,
) -> None:
    """The few figures of a small workshop.

    From its own records, with their 95 % intervals.

    Example: soaktest learn figures --hour-cost 30
    """
    from soaktest.workshop.money import figures

    f = figures(journal(), hour_cost)
    if as_json:
        print_json(asdict(f))
        return
    print(f"{plural(f.units, 'unit')}, {plural(f.repairs, 'repair')}, {plural(f.sold, 'sale')}")
    of_price = "parts" if hour_cost is None else "parts and work"
    for name, value, form, unit in (
        ("a repair takes", f.minutes_a_repair, ".3g", " min"),
        ("its parts cost", f.cost_a_repair, ".2f", ""),
        ("a unit sells for", f.price, ".2f", ""),
        (f"{of_price} for each 1.00 of its price", f.cost_to_price, ".2f", ""),
        ("from taking in to a pass", f.hours_to_pass, ".3g", " h"),
    ):
        print(f"{name}: {_middle(value, form, unit)}")
    hours = f.bench_hours_a_verdict
    print(f"bench hours for each pass or fail: {'none yet' if hours is None else f'{hours:.1f} h'}")
    print(f"right the first time: {_part(f.fixed_first_time)}")
    print(f"sold and came back: {_part(f.came_back)}")


def _middle(m: Middle | None, form: str, unit: str) -> str:
    if m is None:
        return "not written down"
    told = f"95 % of the median of {m.of}" if m.bounded else f"all {m.of}"
    return f"{m.value:{form}}{unit} ({m.low:{form}} to {m.high:{form}}{unit}, {told})"


def _part(p: Part | None) -> str:
    return "none yet" if p is None else f"{p.count} of {p.of} ({percent(p.low)} to {percent(p.high)})"
