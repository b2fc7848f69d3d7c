"""The command line: exit statuses, JSON that is only JSON, and one clear line for each bad input."""

import gzip
import json
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import click
import pytest
from typer.main import get_command
from typer.testing import CliRunner

from soaktest.cli.app import app
from soaktest.journal import open_journal
from soaktest.recording import Message, Recording, later, write_recording
from soaktest.simulate.bench import Scenario, Truth, demo_scenario, simulate


def soaktest(*args: str | Path, data: Path | None = None) -> subprocess.CompletedProcess[str]:
    env = {
        "PATH": "/usr/bin:/bin",
        "SOAKTEST_DATA": str(data or "/nonexistent-folder/of-no-use"),
        "TZ": "UTC",
        "COLUMNS": "120",
    }
    return subprocess.run(
        [sys.executable, "-m", "soaktest.cli", *map(str, args)],
        capture_output=True,
        text=True,
        env=env,
        timeout=120,
        check=False,
    )


UNHEARD = ("--override", "its nodes come later")


@pytest.fixture(scope="module")
def leaking(tmp_path_factory: pytest.TempPathFactory) -> Path:
    recording, _ = simulate(demo_scenario())
    return write_recording(
        tmp_path_factory.mktemp("r") / "leaking.ndjson.gz", recording.header, recording.messages
    )


def test_a_leaking_run_fails_in_words_and_in_json(leaking: Path) -> None:
    """Exit status 1; --json prints the findings object and nothing else."""
    told, as_json = soaktest("judge", leaking), soaktest("judge", leaking, "--json")
    findings = json.loads(as_json.stdout)

    assert (told.returncode, as_json.returncode, as_json.stderr) == (1, 1, "")
    assert told.stdout.startswith("FAIL: it leaks")
    assert findings["findings"] == 1
    assert findings["verdict"] == "fail"
    assert {
        "run",
        "unit",
        "bench",
        "layout",
        "plan",
        "began",
        "ended",
        "reasons",
        "washes",
        "phases",
        "wet_events",
        "location",
        "suspects",
        "coverage",
        "pads",
        "assurance",
    } <= findings.keys()


def test_a_dry_run_passes_and_a_broken_pad_is_a_retest(tmp_path: Path) -> None:
    """Exit status 0 and 3, also from a file that is not gzipped."""
    for scenario, status in ((demo_scenario(leaking=False), 0), (Scenario(seed=9, broken="left"), 3)):
        recording, _ = simulate(scenario)
        path = write_recording(tmp_path / "run.ndjson", recording.header, recording.messages)

        assert soaktest("judge", path).returncode == status


def test_plan_and_layout_are_taken_by_name_or_file(leaking: Path, tmp_path: Path) -> None:
    """A file of one's own, and a shipped name."""
    plan = tmp_path / "own.toml"
    plan.write_text(
        'plan = 1\nname = "own"\nwashes = 1\nmin_watch_s = 0\ndry_watch_s = 0\ndrip_watch_s = 0\n'
    )

    got = json.loads(soaktest("judge", leaking, "--plan", plan, "--layout", "top-loader", "--json").stdout)

    assert (got["plan"], got["layout"]) == ("own", "top-loader")


BAD_PLAN = 'plan = 1\nname = "x"\nwashes = 1\nmin_watch_s = 0\ndry_watch_s = 0\ndrip_watch_s = 0\n'


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("empty.ndjson", b"", "is empty"),
        ("later.ndjson", b'{"recording": 2, "bench": "b", "began": 1}\n', "Update soaktest"),
        (
            "cut.ndjson.gz",
            gzip.compress(b'{"recording": 1, "bench": "b", "began": 1}\n' * 99, mtime=0)[:-9],
            "gzip",
        ),
        ("page.ndjson", b"<html>", "not JSON"),
        (
            "odd.ndjson",
            b'{"recording": 1, "bench": "b", "began": 1, "unit": "\\u001b[2JPASS"}\n',
            "cannot be printed",
        ),
    ],
)
def test_a_bad_recording_is_one_line_and_status_2(
    tmp_path: Path, name: str, content: bytes, says: str
) -> None:
    """No traceback; the file is named."""
    path = tmp_path / name
    path.write_bytes(content)

    got = soaktest("judge", path)

    assert got.returncode == 2
    assert got.stderr.count("\n") == 1
    assert name in got.stderr
    assert says in got.stderr
    assert got.stdout == ""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (BAD_PLAN + "wash = 3\n", "unknown key 'wash'. Did you mean 'washes'?"),
        (BAD_PLAN.replace("washes = 1", 'washes = "two"'), "key 'washes'"),
        (BAD_PLAN + "detect_ml = 0.01\n", "can never be met"),
        (BAD_PLAN + "[exercise]\nidle = 1\n", "exercise.idle can never be met"),
        (BAD_PLAN.replace("washes = 1", "washes = 0"), "proves nothing"),
        (BAD_PLAN.replace("washes = 1\n", ""), "'washes' is missing"),
        (BAD_PLAN + "[exercise]\nsoak = 1\n", "exercise"),
        (BAD_PLAN + "min_coverage = 1.5\n", "min_coverage"),
        ("plan = [", "not valid TOML"),
        (BAD_PLAN.replace("washes = 1", "washes = true"), "key 'washes'"),
        (BAD_PLAN.replace("min_watch_s = 0", "min_watch_s = nan"), "key 'min_watch_s'"),
        ("a = " + "[" * 5000, "nests too deeply"),
        ("a = " + "9" * 5000, "a number too large"),
        ("#" * 1_100_000, "larger than 1024 KiB"),
    ],
)
def test_a_bad_plan_names_file_key_and_mend(leaking: Path, tmp_path: Path, text: str, says: str) -> None:
    """Typos, wrong kinds, and plans that no run could meet."""
    plan = tmp_path / "mine.toml"
    plan.write_text(text)

    got = soaktest("judge", leaking, "--plan", plan)

    assert got.returncode == 2
    assert "mine.toml" in got.stderr
    assert says in got.stderr


def test_a_recording_opens_no_file_of_this_machine(tmp_path: Path) -> None:
    """The plan that it names must be a shipped one."""
    path = tmp_path / "plan.ndjson"
    path.write_bytes(b'{"recording": 1, "bench": "b", "began": 1, "plan": "/dev/zero"}\n')

    got = soaktest("judge", path)

    assert got.returncode == 2
    assert "no plan named '/dev/zero' ships" in got.stderr


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("judge", "nowhere.ndjson"), "nowhere.ndjson"),
        (("plans", "resell"), "Did you mean resale"),
        (("layouts", "front"), "Shipped: front-loader"),
        (("judge", "9" * 20), "cannot be read"),
        (("run", "show", "9" * 20), "is no number from 1 on"),
        (("judge", "x", "--plan", "/dev/zero"), "is no file"),
    ],
)
def test_what_is_not_there_is_named(args: tuple[str, ...], says: str) -> None:
    """A missing file, an unknown plan or layout."""
    got = soaktest(*args)

    assert got.returncode == 2
    assert says in got.stderr


def test_runs_of_other_machines_are_not_judged_together(tmp_path: Path, leaking: Path) -> None:
    """Another unit's run, or one from before a repair, says nothing of this one."""
    recording, _ = simulate(replace(demo_scenario(leaking=False), seed=418))
    other = recording.header.model_copy(update={"unit": "B-1"})
    path = write_recording(tmp_path / "other.ndjson", other, recording.messages)

    assert "only runs of one unit" in soaktest("judge", leaking, "--together-with", path).stderr

    soaktest("replay", leaking, data=tmp_path)
    again = later(simulate(demo_scenario())[0], 10_000, b"2")
    soaktest("replay", write_recording(tmp_path / "2.ndjson", again.header, again.messages), data=tmp_path)
    soaktest("unit", "write", "A-0417", "repair", "--on", "2020-01-01", data=tmp_path)
    assert soaktest("judge", "2", "--together-with", "1", data=tmp_path).returncode == 1
    began = recording.header.began
    day = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(began))
    soaktest("unit", "write", "A-0417", "repair", "--on", day, data=tmp_path)
    assert "was repaired between" in soaktest("judge", "2", "--together-with", "1", data=tmp_path).stderr


def test_names_with_marks_of_a_terminal_are_shown_as_they_are(tmp_path: Path) -> None:
    """Square brackets are no styling, and what cannot be printed does not get in."""
    assert soaktest("unit", "take-in", "[/red]x[bold]", data=tmp_path).returncode == 0
    assert soaktest("unit", "write", "[/red]x[bold]", "note", "[/b]", data=tmp_path).returncode == 0
    assert soaktest("run", "begin", "b1", "--unit", "[/red]x[bold]", *UNHEARD, data=tmp_path).returncode == 0
    for shown in (("unit", "show", "[/red]x[bold]"), ("unit", "list"), ("run", "list")):
        assert "[/red]x[bold]" in soaktest(*shown, data=tmp_path).stdout
    bad = soaktest("unit", "take-in", "x\x1b[31m", data=tmp_path)
    assert (bad.returncode, bad.stdout) == (2, "")
    assert "cannot be printed" in bad.stderr


def test_runs_from_the_command_line(tmp_path: Path, leaking: Path) -> None:
    """Replayed into a journal, listed, shown, judged by number, written out again, judged again: one answer."""
    replayed = soaktest("replay", leaking, data=tmp_path)
    listed = json.loads(soaktest("run", "list", "--json", data=tmp_path).stdout)
    shown = json.loads(soaktest("run", "show", "1", "--json", data=tmp_path).stdout)
    soaktest("record", "1", tmp_path / "again.ndjson", data=tmp_path)
    again = json.loads(soaktest("judge", tmp_path / "again.ndjson", "--json", data=tmp_path).stdout)

    assert replayed.returncode == 1
    assert [(r["run"], r["verdict"], r["stage"]) for r in listed] == [(1, "fail", "judged")]
    assert shown["findings"] == again
    assert "no run 7" in soaktest("judge", "7", data=tmp_path).stderr


def test_a_bench_that_was_never_heard_is_refused_and_a_new_unit_is_told(
    tmp_path: Path, leaking: Path
) -> None:
    """A slip in either name would be a run of nothing: what is heard is named, and nothing is put in the book."""
    name = f"sqlite:///{tmp_path / 'journal.sqlite'}"
    heard = open_journal(name)
    heard.keep([Message(time.time() - 900, f"soaktest/{b}/pads/presence", b"here") for b in ("b1", "b2")])
    heard.close()
    begin = ("run", "begin", "b9", "--unit", "X 1")

    refused = soaktest(*begin, data=tmp_path)

    assert (refused.returncode, refused.stdout) == (2, "")
    assert "Bench b9 has never been heard, only b1 and b2" in refused.stderr
    assert "No unit yet" in soaktest("unit", "list", data=tmp_path).stdout
    begun = soaktest(*begin, *UNHEARD, data=tmp_path)
    assert begun.stdout.startswith(
        "Unit X 1 is new: put in the book. Say what it is: soaktest unit take-in 'X 1'\nRun 1 begun"
    )
    assert "is new" not in soaktest("run", "begin", "b1", "--unit", "X 1", data=tmp_path).stdout


def test_begin_end_and_refusal(tmp_path: Path) -> None:
    """A run begun twice is refused; one that heard nothing is a retest."""
    assert soaktest("run", "begin", "b1", *UNHEARD, data=tmp_path).returncode == 0
    assert "under way" in soaktest("run", "begin", "b1", *UNHEARD, data=tmp_path).stderr
    assert "a-z 0-9" in soaktest("run", "begin", "Bench 1", data=tmp_path).stderr
    assert soaktest("run", "end", "1", data=tmp_path).returncode == 0
    assert soaktest("judge", "1", data=tmp_path).returncode == 3
    assert "Nothing was set aside" in soaktest("set-aside", data=tmp_path).stdout


def test_help_is_quick_and_imports_nothing_heavy() -> None:
    """Help needs neither numpy nor a database; its time is compared with starting Python alone."""
    code = "import sys; from soaktest.cli import app; print([m for m in ('numpy', 'sqlalchemy', 'plotly', 'paho', 'amqtt', 'pydantic') if m in sys.modules])"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    begin = time.perf_counter()
    got = soaktest("--help")
    took = time.perf_counter() - begin

    assert loaded.strip() == "[]"
    assert "demo" in got.stdout
    assert took < 3.0


def test_the_demo_runs_and_writes_what_it_says(tmp_path: Path) -> None:
    """The main job on the embedded default: verdict, timeline, recording, journal."""
    got = soaktest("demo", "--folder", tmp_path / "demo")

    assert got.returncode == 0
    assert "FAIL: it leaks" in got.stdout
    assert {p.name for p in (tmp_path / "demo").iterdir()} >= {
        "run-1.html",
        "run-1.ndjson.gz",
        "journal.sqlite",
    }


def test_the_demo_scenario_is_found_out(demo: tuple[Recording, Truth]) -> None:
    """The simulated truth names the part that the demonstration's words should lead to."""
    assert demo[1].part == "dispenser-hose"


def commands(group: click.Command, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], click.Command]]:
    """Every group and command with the words that call it."""
    inner = getattr(group, "commands", {})
    return [(path, group), *(found for name, one in inner.items() for found in commands(one, (*path, name)))]


@pytest.mark.parametrize(("path", "command"), commands(get_command(app)), ids=lambda x: str(x)[:40])
def test_help_at_80_columns_is_whole_and_gives_an_example(
    path: tuple[str, ...], command: click.Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No sentence of a list is cut, no number beyond reckoning, no name of a signal; each command shows how it is called."""
    monkeypatch.setenv("COLUMNS", "80")
    text = CliRunner().invoke(app, [*path, "--help"]).stdout

    assert max(map(len, text.splitlines())) <= 80
    assert not [line for line in text.splitlines() if line.endswith("...") and not line.startswith("Usage")]
    assert not [word for word in ("9007199254740992", "SIGINT", "SIGTERM") if word in text]
    called = " ".join(("soaktest", *path))
    assert getattr(command, "commands", None) or called in " ".join(text.partition("Example")[2].split())
