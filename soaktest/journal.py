"""The journal: what was heard, kept before it is acknowledged. Everything else is computed from it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import make_url
from sqlalchemy.exc import (
    ArgumentError,
    DataError,
    DBAPIError,
    IntegrityError,
    NoSuchModuleError,
    SQLAlchemyError,
)
from sqlalchemy.orm import Session, sessionmaker

from soaktest.errors import JournalError, MessageFault, Missing, Way
from soaktest.recording import Header, Message, Recording, Retained
from soaktest.tables import CertificateRow, MessageRow, RunRow, SetAsideRow, TallyRow
from soaktest.wire import decode_json, parse_about, parse_presence, parse_readings, parse_topic

LATE_S = 3600.0
"""Packs that arrive up to so long after a run's end still belong to it, unless another run has begun."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of a batch of messages."""

    journaled: int
    duplicates: int
    set_aside: int

    def __add__(self, other: Kept) -> Kept:
        return Kept(
            self.journaled + other.journaled,
            self.duplicates + other.duplicates,
            self.set_aside + other.set_aside,
        )


class Journal:
    """A database of messages and runs; open it with :func:`open_journal`."""

    def __init__(self, engine: sa.Engine) -> None:
        self.engine = engine
        self._sessions = sessionmaker(engine, expire_on_commit=False)
        self._about: dict[tuple[str, str, str], bytes] = {}

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    @contextlib.contextmanager
    def session(self) -> Iterator[Session]:
        """A session that commits at its end. Raises JournalError with the database's own word."""
        try:
            with self._sessions.begin() as session:
                yield session
        except DBAPIError as exc:
            raise JournalError(f"the journal could not be used: {_plainly(exc)}") from exc

    def keep(self, messages: Sequence[Message], source: str = "") -> Kept:
        """Commit a batch: packs once each, faults set aside with their bytes. All or nothing.

        ``source`` keeps a replay's messages apart from what was heard live and from other replays. A batch
        that the database refuses for what is in it is halved until the message is found and set aside.

        Raises:
            JournalError: not all of the batch was kept; try again.
        """
        try:
            return self._keep(messages, source)
        except (JournalError, ValueError, OverflowError) as exc:  # drivers tell of odd values in either way
            cause = exc.__cause__ if isinstance(exc, JournalError) else exc
            if not isinstance(cause, _FOR_ITS_CONTENT) or not messages:
                raise
            if len(messages) == 1:
                why = _plainly(cause) if isinstance(cause, DBAPIError) else str(cause)
                return self._keep(messages, source, refused=f"the database refused it: {why}")
        middle = len(messages) // 2
        return self.keep(messages[:middle], source) + self.keep(messages[middle:], source)

    def _keep(self, messages: Sequence[Message], source: str, refused: str = "") -> Kept:
        """One transaction; ``refused`` is why they are set aside without a further look."""
        rows: list[dict[str, Any]] = []
        faults: list[dict[str, Any]] = []
        repeats = 0
        told = dict(self._about)
        for message in messages:
            try:
                if refused:
                    raise MessageFault(refused)
                row = _row(message)
            except MessageFault as exc:
                faults.append(
                    {
                        "at": message.at,
                        "topic": _storable(message.topic[:65_535]),
                        "payload": message.payload,
                        "reason": _storable(str(exc)),
                        "source": source,
                    }
                )
                continue
            row["source"] = source
            if row["kind"] == "about":  # brokers repeat retained descriptions at each subscription
                key = (source, row["bench"], row["node"])
                if told.get(key) == row["payload"]:
                    repeats += 1
                    continue
                told[key] = row["payload"]
            rows.append(row)
        with self.session() as session:
            added = self._insert(session, rows) if rows else 0
            if faults:
                session.execute(sa.insert(SetAsideRow), faults)
            if len(rows) > added:
                _count(session, "duplicates", len(rows) - added)
        self._about = told
        return Kept(added, len(rows) - added + repeats, len(faults))

    def _insert(self, session: Session, rows: list[dict[str, Any]]) -> int:
        connection = session.connection()
        if connection.dialect.name == "sqlite":
            driver: Any = connection.connection.driver_connection
            before = driver.total_changes  # counting by query would cost as much as a small batch
            connection.execute(_ADD_SQLITE, rows)
            return int(driver.total_changes - before)
        newest = session.scalar(sa.select(sa.func.coalesce(sa.func.max(MessageRow.id), 0)))
        connection.execute(_ADD_POSTGRESQL, rows)
        return session.scalar(sa.select(sa.func.count()).where(MessageRow.id > newest)) or 0

    def tally(self, name: str) -> int:
        """A counter, such as ``duplicates``."""
        with self.session() as session:
            return session.scalar(sa.select(TallyRow.count).where(TallyRow.name == name)) or 0

    def set_aside(self, limit: int = 100) -> list[SetAsideRow]:
        """Messages set aside, the newest first."""
        with self.session() as session:
            return list(session.scalars(sa.select(SetAsideRow).order_by(SetAsideRow.id.desc()).limit(limit)))

    def set_aside_count(self) -> int:
        """How many messages were set aside."""
        with self.session() as session:
            return session.scalar(sa.select(sa.func.count(SetAsideRow.id))) or 0

    def recording(self, run: RunRow, until: float | None = None) -> Recording:
        """What the run's bench heard, whole: its messages, and each node's last description before it.

        ``until`` (UTC seconds) leaves out what came later than that.
        """
        import orjson

        header = Header(
            bench=run.bench, unit=run.unit, began=run.began, ended=run.ended, run=str(run.id),
            layout=orjson.loads(run.layout)["name"], plan=orjson.loads(run.plan)["name"],
        )  # fmt: skip
        with self.session() as session:
            latest = _heard_until(session, run)
            if until is not None:
                latest = until if latest is None else min(latest, until)
            heard = [*_messages(session, run, latest), *_refused(session, run, latest)]
            messages = [*_descriptions(session, run), *sorted(heard, key=lambda message: message.at)]
        return Recording(header, messages)


def run_of(session: Session, number: int) -> RunRow:
    """A run by its number, within a session. Raises Missing where there is none."""
    run = session.get(RunRow, number)
    if run is None:
        raise Missing(f"there is no run {number} in the journal.", Way("run list", "runs"))
    return run


_PACK = ["source", "bench", "node", "boot", "seq"]
_ADD_SQLITE = sqlite.insert(MessageRow).on_conflict_do_nothing(index_elements=_PACK)
_ADD_POSTGRESQL = postgresql.insert(MessageRow).on_conflict_do_nothing(index_elements=_PACK)


_FOR_ITS_CONTENT = (DataError, IntegrityError, ValueError, OverflowError)
"""What is raised where a value is refused, and not the work."""


def _storable(text: str) -> str:
    """Text that any database takes: PostgreSQL keeps no NUL, and no driver encodes half a surrogate pair."""
    return text.replace("\0", "\ufffd").encode("utf-8", "replace").decode()


def _row(message: Message) -> dict[str, Any]:
    topic = parse_topic(message.topic)
    payload = message.payload
    row: dict[str, Any] = {
        "at": message.at, "bench": topic.bench, "node": topic.node, "kind": topic.kind, "payload": payload,
        "boot": None, "seq": None,
    }  # fmt: skip
    if topic.kind == "readings":
        if isinstance(message, Retained):
            raise MessageFault(
                "a retained readings pack: when it was made is not known. Publish readings unretained"
            )
        pack = parse_readings(payload, topic, message.at)
        row |= {"boot": pack.boot, "seq": pack.seq}
    elif topic.kind == "about":
        parse_about(decode_json(payload))
    elif topic.kind == "presence":
        parse_presence(payload)
    return row


def _count(session: Session, name: str, more: int) -> None:
    row = session.get(TallyRow, name)
    if row is None:
        session.add(TallyRow(name=name, count=more))
    else:
        row.count += more


def _heard_until(session: Session, run: RunRow) -> float | None:
    if run.ended is None:
        return None
    limits = [
        run.ended + LATE_S,
        # what a certificate rests on is what had come by then
        session.scalar(sa.select(sa.func.min(CertificateRow.issued_at)).where(CertificateRow.run == run.id)),
    ]
    if not run.source:
        following = sa.select(sa.func.min(RunRow.began)).where(
            RunRow.bench == run.bench, RunRow.source == "", RunRow.began >= run.ended
        )
        limits.append(session.scalar(following))
    return min(limit for limit in limits if limit is not None)


def _messages(session: Session, run: RunRow, until: float | None) -> Iterable[Message]:
    where = [
        MessageRow.bench == run.bench,
        MessageRow.source == (run.source or ""),
        MessageRow.at >= run.began,
    ]
    if until is not None:
        where.append(MessageRow.at <= until)
    columns = (MessageRow.at, MessageRow.node, MessageRow.kind, MessageRow.payload)
    for at, node, kind, payload in session.execute(
        sa.select(*columns).where(*where).order_by(MessageRow.at, MessageRow.id)
    ):
        yield Message(at, f"soaktest/{run.bench}/{node}/{kind}", payload)


def _refused(session: Session, run: RunRow, until: float | None) -> Iterable[Message]:
    """What was set aside belongs to what the bench heard, and is counted again when the run is judged."""
    where = [SetAsideRow.source == (run.source or ""), SetAsideRow.at >= run.began]
    if not run.source:  # a replay holds one bench alone
        where.append(SetAsideRow.topic.startswith(f"soaktest/{run.bench}/", autoescape=True))
    if until is not None:
        where.append(SetAsideRow.at <= until)
    for row in session.scalars(sa.select(SetAsideRow).where(*where).order_by(SetAsideRow.at, SetAsideRow.id)):
        yield Message(row.at, row.topic, row.payload)


def _descriptions(session: Session, run: RunRow) -> Iterable[Message]:
    for row in newest_descriptions(session, run.bench, run.source or "", run.began):
        yield Message(row.at, f"soaktest/{row.bench}/{row.node}/about", row.payload)


def newest_descriptions(
    session: Session, bench: str, source: str = "", before: float = float("inf")
) -> list[MessageRow]:
    """Each node's last description before a moment (UTC seconds)."""
    newest = (
        sa.select(sa.func.max(MessageRow.id))
        .where(
            MessageRow.bench == bench, MessageRow.source == source, MessageRow.kind == "about", MessageRow.at < before
        )
        .group_by(MessageRow.node)
    )  # fmt: skip
    return list(
        session.scalars(sa.select(MessageRow).where(MessageRow.id.in_(newest)).order_by(MessageRow.node))
    )


def open_journal(address: str) -> Journal:
    """Open a journal, making or migrating its tables first.

    Args:
        address: an SQLAlchemy address: ``sqlite:///file`` or ``postgresql+psycopg://...``.

    Raises:
        JournalError: the address is no address, or the database cannot be opened, read or written.
    """
    try:
        url = make_url(address)
        if url.get_backend_name() not in ("sqlite", "postgresql"):
            raise JournalError(
                f"database {url.get_backend_name()!r} is not known: use sqlite or postgresql+psycopg."
            )
        if url.get_backend_name() == "sqlite" and url.database and url.database != ":memory:":
            Path(url.database).parent.mkdir(parents=True, exist_ok=True)
        engine = sa.create_engine(url, pool_pre_ping=url.get_backend_name() == "postgresql")
        if url.get_backend_name() == "sqlite":
            sa.event.listen(engine, "connect", _durable)
        from soaktest.migrations.migrate import migrate

        migrate(engine)
    except OSError as exc:
        raise JournalError(
            f"{address}: the folder cannot be made ({exc.strerror}). Set SOAKTEST_DATA elsewhere."
        ) from exc
    except ArgumentError as exc:
        raise JournalError(
            "the journal's address is no SQLAlchemy address, such as sqlite:///journal.sqlite."
        ) from exc
    except (NoSuchModuleError, ModuleNotFoundError) as exc:
        raise JournalError(f"the database driver is missing ({exc}). Install soaktest[postgres].") from exc
    except DBAPIError as exc:
        raise JournalError(f"{_hidden(address)}: {_plainly(exc)}") from exc
    except SQLAlchemyError as exc:
        raise JournalError(f"{_hidden(address)}: {exc}") from exc
    return Journal(engine)


def _hidden(address: str) -> str:
    return make_url(address).render_as_string(hide_password=True)


def _durable(connection: Any, _record: object) -> None:
    """Full durability: a committed message survives a power cut."""
    cursor = connection.cursor()
    cursor.execute("PRAGMA busy_timeout=5000")
    cursor.execute("PRAGMA journal_mode=WAL")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.close()


_MENDS = {
    "locked": "Another program holds it; close that and try again.",
    "readonly": "It is read-only; give write permission on the file and its folder.",
    "read-only": "It is read-only; give write permission on the file and its folder.",
    "unable to open": "Check that the folder exists and can be written.",
    "disk is full": "Free some space; nothing acknowledged was lost.",
    "not a database": "The file is something else; move it away or choose another.",
    "malformed": "The file is damaged; restore it from a copy, or move it away and begin anew.",
    "refused": "Check that the database server runs and the address is right.",
}


def _plainly(exc: DBAPIError) -> str:
    said = str(exc.orig).strip().splitlines()[0] if exc.orig else str(exc)
    mend = next((mend for word, mend in _MENDS.items() if word in said), "")
    return f"{said}. {mend}".strip()
