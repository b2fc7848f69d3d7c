"""The drip challenge as commands: what to drip, what was seen, and what the bench shows."""

from __future__ import annotations

from typing import Annotated

import typer

from soaktest.cli.judge import JSON
from soaktest.cli.runs import journal

app = typer.Typer(no_args_is_help=True)
BENCH = Annotated[str, typer.Argument(help="The bench's name.")]


@app.command()
def plan() -> None:
    """Say what to drip on each pad, and how."""
    from soaktest.workshop.drips import DROPS_PER_ML, SCHEME

    print("On each pad, dry before each try, with an ordinary dropper held upright:")
    for drops, times in SCHEME:
        print(f"  {times} x {drops} drop{'s' if drops > 1 else ''} ({drops / DROPS_PER_ML:g} ml)")
    print(
        "Begin a run with plan find-leak, drip, wait two minutes, and write down whether the page showed it:"
    )
    print("  soaktest drip tell b1 left 0.1 --seen")
    print(
        "Drip on pads alone, with the machine moved away and unplugged, and every mains lead off the floor."
    )


@app.command()
def tell(
    bench: BENCH,
    zone: Annotated[str, typer.Argument(help="left, centre or right.")],
    ml: Annotated[float, typer.Argument(help="Millilitres; a drop is about 0.05.")],
    seen: Annotated[bool, typer.Option("--seen/--unseen", help="Whether the bench showed it.")],
) -> None:
    """Write down one try."""
    from soaktest.workshop.drips import keep_drip

    keep_drip(journal(), bench, zone, ml, seen=seen)
    print(f"Written: {ml:g} ml on the {zone} pad, {'seen' if seen else 'not seen'}.")


@app.command()
def shows(bench: BENCH, as_json: JSON = False) -> None:
    """Say how little water the bench shows with 90 % probability, and its 95 % bound."""
    from soaktest.workshop.drips import bench_sensitivity

    told = bench_sensitivity(journal(), bench)
    if as_json:
        from dataclasses import asdict

        import orjson

        print(orjson.dumps(asdict(told)).decode())
        return
    print(
        f"Bench {bench}: {told.a90:.2g} ml is seen with 90 % probability; with 95 % confidence {told.a90_95:.2g} ml ({told.seen} of {told.tries} tries seen)."
    )
    _beside_the_runs(bench)


def _beside_the_runs(bench: str) -> None:
    """What the analysis said of the bench's last judged run, for comparison."""
    import orjson

    from soaktest.bench import list_runs

    run = next((r for r in list_runs(journal(), 200) if r.bench == bench and r.findings), None)
    if run is not None:
        said = orjson.loads(run.findings or "{}")["assurance"]["smallest_seen_ml_90"]
        print(
            f"Run {run.id} on it was judged to show {said} ml with 90 % probability, from its own noise."
            if said
            else f"Run {run.id} on it could not say."
        )
