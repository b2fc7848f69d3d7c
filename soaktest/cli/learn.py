"""What repairs and comebacks teach, at the command line."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from soaktest.cli.judge import JSON
from soaktest.cli.runs import journal
from soaktest.cli.words import show_table

if TYPE_CHECKING:
    from soaktest.workshop.money import Middle, Part

app = typer.Typer(no_args_is_help=True)


def _json(told: Any) -> None:
    import orjson

    print(orjson.dumps(told).decode())


@app.command()
def shares(
    layout: Annotated[str, typer.Option(help="Kind of machine.")] = "front-loader", as_json: JSON = False
) -> None:
    """Shares of leaks by part, as shipped and with the causes that this workshop confirmed."""
    from soaktest.layouts import read_layout
    from soaktest.workshop.learning import HOW_CONFIRMED, confirmed_causes, learned_shares

    chosen = read_layout(layout)
    told = learned_shares(chosen, confirmed_causes(journal(), chosen.name))
    if as_json:
        _json([asdict(share) for share in told])
        return
    rows = [
        (s.name, s.part, f"{s.before:.1%}", f"{s.confirmed:g}", f"{s.after:.1%}")
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
    """How long repairs hold: the share of sold units that has not come back, with its 95 % interval."""
    from soaktest.workshop.lasting import how_long_repairs_hold, times_to_comeback

    curve = how_long_repairs_hold(times_to_comeback(journal()), part, work)
    if as_json:
        _json(asdict(curve))
        return
    rows = [
        (f"{day:.0f}", f"{curve.held[i]:.0%}", f"{curve.low[i]:.0%} to {curve.high[i]:.0%}")
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
    """How many leak-free washes are worth their cost before a sale."""
    from soaktest.workshop.money import washes_worth_running, worth_of_a_wash

    n = washes_worth_running(wash_cost, comeback_cost, leaky, per_wash)
    for washes in range(n + 1):
        w = worth_of_a_wash(washes, wash_cost, comeback_cost, leaky, per_wash)
        print(
            f"after {washes} clean: {w.chance_now:.1%} still leak; one more wash saves {w.saves:.2f} for {w.costs:.2f}"
        )
    print(
        f"So run {n}. It rests on {leaky:.0%} still leaking after a repair and {per_wash:.0%} of those showing it in a wash: put in your own."
    )


@app.command("figures")
def figures_(
    hour_cost: Annotated[
        float | None,
        typer.Option(min=0, help="What an hour of work costs, counted into the cost of a repair."),
    ] = None,
    as_json: JSON = False,
) -> None:
    """The few figures of a small workshop, from its own records, with their 95 % intervals."""
    from soaktest.workshop.money import figures

    f = figures(journal(), hour_cost)
    if as_json:
        _json(asdict(f))
        return
    print(f"units {f.units}, repairs {f.repairs}, sold {f.sold}")
    of_price = "parts" if hour_cost is None else "parts and work"
    for name, value, unit in (
        ("a repair takes", f.minutes_a_repair, " min"),
        ("its parts cost", f.cost_a_repair, ""),
        ("a unit sells for", f.price, ""),
        (f"{of_price} for each 1.00 of its price", f.cost_to_price, ""),
        ("from taking in to a pass", f.hours_to_pass, " h"),
    ):
        print(f"{name}: {_middle(value, unit)}")
    hours = f.bench_hours_a_verdict
    print(f"bench hours for each pass or fail: {'none yet' if hours is None else f'{hours:.1f} h'}")
    print(f"right the first time: {_part(f.fixed_first_time)}")
    print(f"sold and came back: {_part(f.came_back)}")


def _middle(m: Middle | None, unit: str) -> str:
    if m is None:
        return "not written down"
    told = f"95 % of the median of {m.of}" if m.bounded else f"all {m.of}"
    return f"{m.value:.3g}{unit} ({m.low:.3g} to {m.high:.3g}{unit}, {told})"


def _part(p: Part | None) -> str:
    return "none yet" if p is None else f"{p.count} of {p.of} ({p.low:.0%} to {p.high:.0%})"
