"""The main job on a simulated bench, over a real broker, in a few seconds."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

from soaktest.cli.words import console, show_findings

DAY_S = 86_400.0


def demo(
    folder: Annotated[Path, typer.Option(help="Where journal, recording and timeline are written.")] = Path(
        "soaktest-data/demo"
    ),
    dry: Annotated[
        bool, typer.Option("--dry", help="A repaired machine that holds, instead of one that leaks.")
    ] = False,
    live: Annotated[
        bool,
        typer.Option(
            "--live", help="Publish the bench in real time instead, for a page that is being served."
        ),
    ] = False,
) -> None:
    """Run the whole job once, on a simulated bench.

    It publishes over a real broker. A front loader has just been repaired and its dispenser-to-tub hose still weeps; with --dry it holds, a day later. The
    run is judged from the journal and its timeline is written. Exit status 0 whatever the verdict: it is a demonstration.

    With --live the same bench publishes as a real one would, for half an hour, to SOAKTEST_BROKER or the broker
    of a soaktest serve on this machine: open the page, begin a run on bench b1, and watch it leak.

    Examples: soaktest demo; soaktest demo --dry; soaktest demo --live
    """
    if live:
        _publish_live(dry=dry)
        return
    from soaktest.bench import judge_run
    from soaktest.broker import EmbeddedBroker
    from soaktest.cli.files import progress_bar
    from soaktest.journal import open_journal
    from soaktest.layouts import read_layout
    from soaktest.plans import read_plan
    from soaktest.recording import later, write_recording
    from soaktest.replay import replay
    from soaktest.simulate.bench import demo_scenario, simulate
    from soaktest.timeline import write_timeline

    out = console()
    scenario = demo_scenario(leaking=not dry)
    out.print("A simulated bench: three pads, a phase node, one quick wash after a repair.")
    recording, _truth = simulate(scenario)
    if dry:
        recording = later(recording, DAY_S)
    journal = open_journal(f"sqlite:///{folder / 'journal.sqlite'}")
    judged_by = (read_plan(scenario.plan), read_layout(scenario.layout))
    with EmbeddedBroker() as broker, progress_bar("Washing, at many times real speed") as progress:
        run = replay(recording, journal, broker.address, judged_by, progress=progress)
    analysis = judge_run(journal, run.id)
    heard = journal.recording(run)
    written = write_recording(folder / f"run-{run.id}.ndjson.gz", heard.header, heard.messages)
    page = write_timeline(analysis, folder / f"run-{run.id}.html")
    journal.close()
    out.print()
    show_findings(out, analysis.findings)
    out.print()
    out.print(f"Timeline:  {page.resolve()}  (open it in a browser)", soft_wrap=True)
    out.print(f"Recording: {written.resolve()}  (judge it again: soaktest judge {written})", soft_wrap=True)
    out.print(
        f"Journal:   {(folder / 'journal.sqlite').resolve()}  (its run {run.id} is in no other; open it: "
        f"SOAKTEST_DATA={shlex.quote(str(folder))} soaktest serve)",
        soft_wrap=True,
        markup=False,
    )


def _publish_live(*, dry: bool) -> None:
    import time
    import uuid

    from soaktest.cli.files import progress_bar
    from soaktest.mqtt_client import connected, new_client
    from soaktest.plans import read_plan
    from soaktest.recording import later
    from soaktest.settings import broker_of_nodes
    from soaktest.simulate.bench import demo_scenario, simulate
    from soaktest.wire import parse_topic

    scenario = demo_scenario(leaking=not dry)
    plan = read_plan(scenario.plan)
    recording, _truth = simulate(scenario)
    # booted anew at each start: what comes again under a boot that was heard is a duplicate
    messages = list(later(recording, 0.0, uuid.uuid4().hex[:4].encode()).messages)
    address = broker_of_nodes()
    mend = "Start the page first, in another terminal: soaktest serve"
    said = (
        f"On the page, at bench {scenario.bench}: begin a run with plan {plan.name} and machine {scenario.layout} within "
        f"{scenario.dry_watch_s - plan.dry_watch_s:.0f} s. The machine does one wash, and lets water in {scenario.dry_watch_s:.0f} s from now. "
        "Nobody is there to touch its pads: leave the pad check out."
    )
    with (
        connected(new_client(address), address, mend) as client,
        progress_bar("Washing, in real time") as progress,
    ):
        print(said, flush=True)
        begin, first = time.monotonic(), messages[0].at
        for number, message in enumerate(messages, 1):
            time.sleep(max(message.at - first - (time.monotonic() - begin), 0.0))
            kept = parse_topic(message.topic).kind != "readings"
            client.publish(message.topic, message.payload, qos=1, retain=kept)
            progress(number, len(messages))
