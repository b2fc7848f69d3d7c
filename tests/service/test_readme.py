"""What the README says may be typed, typed."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from soaktest.broker import EmbeddedBroker
from soaktest.plans import read_plan
from tests.service.shop import PASSPHRASE

README = (Path(__file__).parents[2] / "README.md").read_text()


def soaktest(*words: str, **more: str) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "SOAKTEST_PASSPHRASE": PASSPHRASE, **more}
    return subprocess.run(
        [sys.executable, "-m", "soaktest.cli", *words], capture_output=True, text=True, timeout=120, check=False, env=env,
    )  # fmt: skip


def blocks() -> list[list[str]]:
    """The command lines of each block."""
    found = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    return [[line.strip() for line in block.splitlines() if line.strip()] for block in found]


def test_the_walk_without_a_bench_works_line_by_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both tests of the demonstration, the repair between them, then all from the key to the figures, on one day."""
    monkeypatch.chdir(tmp_path)
    walk = next(block for block in blocks() if block[0].startswith("export SOAKTEST_DATA="))
    data = walk[0].partition("=")[2]
    onward = next(block for block in blocks() if "soaktest key make" in block)
    lines = [*walk[1:], *onward[onward.index("soaktest key make") :]]

    for line in lines:
        words = shlex.split(line.replace("soaktest-data/certificates", f"{data}/certificates"))
        assert words[0] == "soaktest"
        done = soaktest(*words[1:], SOAKTEST_DATA=data)
        assert done.returncode == 0, line + done.stdout + done.stderr
    assert "the first time: 0 of 1" in done.stdout


def test_the_demonstrations_tell_how_to_go_on(tmp_path: Path) -> None:
    """Which plan to choose on the page and how soon; and where its run is found afterwards."""
    done = soaktest("demo", "--dry", "--folder", str(tmp_path / "demo"))
    assert f"open it: SOAKTEST_DATA={tmp_path / 'demo'} soaktest serve" in done.stdout

    with EmbeddedBroker() as broker:
        live = subprocess.Popen(
            [sys.executable, "-m", "soaktest.cli", "demo", "--live"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            env={**os.environ, "SOAKTEST_BROKER": str(broker.address)},
        )  # fmt: skip
        assert live.stdout is not None
        said = live.stdout.readline()
        live.kill()
        live.wait(10)
    soon = 320 - read_plan("repair-check").dry_watch_s
    assert f"begin a run with plan repair-check and machine front-loader within {soon:.0f} s" in said


def test_every_command_stands_in_the_table() -> None:
    """Groups with their commands, as the command line has them."""
    from typer.main import get_command

    from soaktest.cli.app import app

    table = "\n".join(line for line in README.splitlines() if line.startswith("| `soaktest"))
    for name, command in get_command(app).commands.items():  # type: ignore[attr-defined]
        assert re.search(rf"`[^`]*\b{name}\b", table), name
        for inner in getattr(command, "commands", {}):
            assert re.search(rf"{name} [^`]*\b{inner}\b", table), f"{name} {inner}"
