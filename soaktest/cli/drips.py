"""The drip challenge as commands: what to drip, what was seen, and what the bench shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from soaktest.cli.judge import JSON
from soaktest.cli.nodes import BROKER, CAUTION, ask, listening
from soaktest.cli.runs import journal
from soaktest.cli.words import print_where_enough, when
from soaktest.vocabulary import plural

app = typer.Typer(no_args_is_help=True)
BENCH = Annotated[str, typer.Argument(help="The bench's name.")]


@app.command()
def plan() -> None:
    """Say what to drip on each pad, and how.

    Example: soaktest drip plan
    """
    from soaktest.workshop.drips import DROPS_PER_ML, SCHEME

    print("On each pad, dry before each try, with an ordinary dropper held upright:")
    for drops, times in SCHEME:
        print(f"  {times} x {plural(drops, 'drop')} ({drops / DROPS_PER_ML:g} ml)")
    print("It is walked through, watched and written down by: soaktest drip walk b1")
    print(
        "Or drip in a run with plan find-leak, wait two minutes, and write down whether the page showed it:"
    )
    print("  soaktest drip tell b1 left 0.1 --seen")
    print(CAUTION)


@app.command()
def walk(
    bench: BENCH,
    drops: Annotated[
        list[int] | None,
        typer.Option(min=1, max=2000, help="Drops of a try; may be repeated. The plan's by default."),
    ] = None,
    times: Annotated[int, typer.Option(min=1, max=100, help="How often each, where --drops is given.")] = 3,
    wait: Annotated[float, typer.Option(min=1, max=600, help="Seconds that the bench has to see it.")] = 30.0,
    settle: Annotated[float, typer.Option(min=1, max=600, help="Seconds for a dried pad to settle.")] = 20.0,
    broker: BROKER = None,
) -> None:
    """Walk through the challenge, watched.

    It asks for the drops, watches the pad itself, and writes each try down. Ctrl-C ends it; what was tried is kept.

    Example: soaktest drip walk b1 --broker mqtt://192.168.4.2
    """
    import time

    from soaktest.vocabulary import ZONES
    from soaktest.wire import bench_name
    from soaktest.workshop.calibration import judge_pad, reading
    from soaktest.workshop.drips import DROPS_PER_ML, SCHEME, keep_drip, seen_since

    bench_name(bench)  # before anybody drips
    scheme = tuple((n, times) for n in drops) if drops else SCHEME
    tries = [(zone, n) for zone in ZONES for n, often in scheme for _ in range(often)]
    book = journal()
    print(CAUTION)
    with listening(broker, f"soaktest/{bench}/+/#") as heard:

        def ask_until_dry(said: str, zones: Sequence[str]) -> None:
            """A pad that is wet already would hide the drop, or be taken for it."""
            wet = list(zones)
            while wet:
                ask(said)
                time.sleep(settle)
                wet = [
                    zone
                    for zone in wet
                    if judge_pad(reading(list(heard), zone, time.time() - max(settle / 2, 3.0)).siemens)
                ]
                said = f"The {' and the '.join(wet)} pad is not dry: dry it, or look for a bridge between its tracks."

        ask_until_dry("All three pads dry.", ZONES)
        for number, (zone, n) in enumerate(tries, 1):
            input(
                f"{number} of {len(tries)}: let {plural(n, 'drop')} fall on the {zone.upper()} pad, and press Enter at once. "
            )
            since = time.time()
            time.sleep(wait)
            seen = seen_since(list(heard), bench, zone, since, time.time())
            keep_drip(book, bench, zone, n / DROPS_PER_ML, seen=seen)
            print("  seen" if seen else "  not seen", flush=True)
            if number < len(tries):
                ask_until_dry("Wipe the pad dry.", [zone])
    print(f"{len(tries)} tries written. See: soaktest drip shows {bench}")


@app.command()
def tell(
    bench: BENCH,
    zone: Annotated[str, typer.Argument(help="left, centre or right.")],
    ml: Annotated[float, typer.Argument(help="Millilitres; a drop is about 0.05.")],
    seen: Annotated[bool, typer.Option("--seen/--unseen", help="Whether the bench showed it.")],
) -> None:
    """Write down one try.

    Example: soaktest drip tell b1 left 0.1 --seen
    """
    from soaktest.workshop.drips import keep_drip

    keep_drip(journal(), bench, zone, ml, seen=seen)
    print(f"Written: {ml:g} ml on the {zone} pad, {'seen' if seen else 'not seen'}.")


@app.command()
def shows(bench: BENCH, as_json: JSON = False) -> None:
    """Say how little water the bench shows.

    With 90 % probability, and its 95 % bound.

    Example: soaktest drip shows b1
    """
    from soaktest.workshop.drips import TRIES_COUNT_S, bench_sensitivity, promised

    if as_json:
        print_where_enough(lambda: bench_sensitivity(journal(), bench))
        return
    told = bench_sensitivity(journal(), bench)
    print(
        f"Bench {bench}: {told.a90:.2g} ml is seen with 90 % probability; with 95 % confidence {told.a90_95:.2g} ml ({told.seen} of {told.tries} tries seen)."
    )
    print(
        f"Tries of the last {TRIES_COUNT_S / 86_400:.0f} days count; the last was on {when(told.last)[:10]}."
    )
    if (run := promised(journal(), bench)) is not None:
        number, ml = run
        print(
            f"Run {number} on it was judged to show {ml} ml with 90 % probability, from its own noise."
            if ml
            else f"Run {number} on it could not say."
        )
