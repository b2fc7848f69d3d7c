"""The journal's tables. One row a message, not one a sample: the message is the evidence."""

from __future__ import annotations

from sqlalchemy import ForeignKey, Index, LargeBinary, MetaData, Text, UniqueConstraint, text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import BigInteger, Boolean, Float, Integer, String

ID = BigInteger().with_variant(Integer, "sqlite")


class Base(DeclarativeBase):
    """Constraint names are given, so that migrations can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class MessageRow(Base):
    """A message as it arrived; boot and seq are those of a readings pack, else NULL.

    ``source`` is empty for what was heard live, else the mark of the replay that it came with.
    """

    __tablename__ = "message"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    at: Mapped[float] = mapped_column(Float(53))
    bench: Mapped[str] = mapped_column(String(32))
    node: Mapped[str] = mapped_column(String(32))
    kind: Mapped[str] = mapped_column(String(16))
    payload: Mapped[bytes] = mapped_column(LargeBinary)
    boot: Mapped[str | None] = mapped_column(String(64))
    seq: Mapped[int | None] = mapped_column(BigInteger)
    source: Mapped[str] = mapped_column(String(32), default="", server_default="")
    __table_args__ = (
        UniqueConstraint("source", "bench", "node", "boot", "seq", name="uq_message_pack"),
        Index("ix_message_bench_at", "bench", "at"),
    )


class SetAsideRow(Base):
    """A message that broke the contract: its bytes, its topic and the reason."""

    __tablename__ = "set_aside"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    at: Mapped[float] = mapped_column(Float(53))
    topic: Mapped[str] = mapped_column(Text)
    payload: Mapped[bytes] = mapped_column(LargeBinary)
    reason: Mapped[str] = mapped_column(Text)
    source: Mapped[str] = mapped_column(String(32), default="", server_default="")


class TallyRow(Base):
    """A counter that outlives the process, such as duplicates."""

    __tablename__ = "tally"
    name: Mapped[str] = mapped_column(String(64), primary_key=True)
    count: Mapped[int] = mapped_column(BigInteger, default=0)


class UnitRow(Base):
    """A machine, by its tag."""

    __tablename__ = "unit"
    tag: Mapped[str] = mapped_column(String(64), primary_key=True)
    kind: Mapped[str] = mapped_column(String(64), default="")
    complaint: Mapped[str] = mapped_column(Text, default="")
    taken_in: Mapped[float] = mapped_column(Float(53))
    serial: Mapped[str] = mapped_column(String(128), default="")


class RunRow(Base):
    """A run: plan and layout are kept whole (JSON), so that later edits of files change nothing."""

    __tablename__ = "run"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    bench: Mapped[str] = mapped_column(String(32), index=True)
    unit: Mapped[str | None] = mapped_column(ForeignKey("unit.tag"))
    plan: Mapped[str] = mapped_column(Text)
    layout: Mapped[str] = mapped_column(Text)
    began: Mapped[float] = mapped_column(Float(53))
    ended: Mapped[float | None] = mapped_column(Float(53))
    stage: Mapped[str] = mapped_column(String(16))
    findings: Mapped[str | None] = mapped_column(Text)
    judged_at: Mapped[float | None] = mapped_column(Float(53))
    judged_by: Mapped[str | None] = mapped_column(String(64))
    override: Mapped[str | None] = mapped_column(Text)
    """Why the run was begun against a warning; it lands on the certificate."""
    acknowledged_at: Mapped[float | None] = mapped_column(Float(53))
    source: Mapped[str] = mapped_column(String(32), default="", server_default="")
    """The mark of the replay that brought its messages; empty for a live run."""
    __table_args__ = (
        Index(
            "uq_run_under_way",
            "bench",
            unique=True,
            sqlite_where=text("ended IS NULL"),
            postgresql_where=text("ended IS NULL"),
        ),
    )


class OverviewRow(Base):
    """The drawn timeline of a judged run (JSON, deflated), so that it need not be judged again to be seen."""

    __tablename__ = "overview"
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), primary_key=True)
    made_by: Mapped[str] = mapped_column(String(64))
    figure: Mapped[bytes] = mapped_column(LargeBinary)
    whys: Mapped[bytes | None] = mapped_column(LargeBinary)
    """Its wet events explained (JSON, deflated), and with them all its pieces; None until they are packed too."""


class PieceRow(Base):
    """An hour of a judged run's lines, with every sample (``fine``) or thinned, so that a zoom reads what is in view."""

    __tablename__ = "piece"
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), primary_key=True)
    fine: Mapped[bool] = mapped_column(primary_key=True)
    hour: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    content: Mapped[bytes] = mapped_column(LargeBinary)


class NoteRow(Base):
    """What a technician saw during a run, with a photo where one was taken."""

    __tablename__ = "note"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)
    at: Mapped[float] = mapped_column(Float(53))
    text: Mapped[str] = mapped_column(Text)
    photo: Mapped[bytes | None] = mapped_column(LargeBinary)
    photo_type: Mapped[str | None] = mapped_column(String(16))


class PadCheckRow(Base):
    """A pad tried on its bench: conductance dry and wet, in siemens, and with how much water."""

    __tablename__ = "pad_check"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    bench: Mapped[str] = mapped_column(String(32), index=True)
    zone: Mapped[str] = mapped_column(String(8))
    at: Mapped[float] = mapped_column(Float(53))
    dry_siemens: Mapped[float] = mapped_column(Float(53))
    wet_siemens: Mapped[float] = mapped_column(Float(53))
    ml: Mapped[float] = mapped_column(Float(53))
    """0 where the pad was only touched with a damp finger."""
    fault: Mapped[str] = mapped_column(Text)
    """What was wrong, empty where the pad is sound."""


class StoryRow(Base):
    """An entry in a unit's story; a correction is a further entry that names the one it replaces."""

    __tablename__ = "story"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    unit: Mapped[str] = mapped_column(ForeignKey("unit.tag"), index=True)
    at: Mapped[float] = mapped_column(Float(53))
    what: Mapped[str] = mapped_column(String(16))
    text: Mapped[str] = mapped_column(Text)
    part: Mapped[str | None] = mapped_column(String(64))
    work: Mapped[str | None] = mapped_column(String(16))
    """What was done to the part, such as replaced or tightened."""
    minutes: Mapped[float | None] = mapped_column(Float(53))
    cost: Mapped[float | None] = mapped_column(Float(53))
    run: Mapped[int | None] = mapped_column(ForeignKey("run.id"))
    personal: Mapped[str | None] = mapped_column(Text)
    """A customer's data; the only thing that may be erased."""
    corrects: Mapped[int | None] = mapped_column(ForeignKey("story.id"))
    written_at: Mapped[float] = mapped_column(Float(53))


class SigningKeyRow(Base):
    """The public half of a key that signs certificates (JWK), and what became of it."""

    __tablename__ = "signing_key"
    kid: Mapped[str] = mapped_column(String(64), primary_key=True)
    public_jwk: Mapped[str] = mapped_column(Text)
    made_at: Mapped[float] = mapped_column(Float(53))
    retired_at: Mapped[float | None] = mapped_column(Float(53))
    revoked_at: Mapped[float | None] = mapped_column(Float(53))


class CertificateRow(Base):
    """A signed certificate, numbered without gaps and never overwritten."""

    __tablename__ = "certificate"
    number: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=False)
    run: Mapped[int] = mapped_column(ForeignKey("run.id"), index=True)
    unit: Mapped[str | None] = mapped_column(ForeignKey("unit.tag"))
    issued_at: Mapped[float] = mapped_column(Float(53))
    token: Mapped[str] = mapped_column(Text)
    """The compact signed object (JWS, RFC 7515)."""
    supersedes: Mapped[int | None] = mapped_column(ForeignKey("certificate.number"))
    revoked_at: Mapped[float | None] = mapped_column(Float(53))
    revoked_why: Mapped[str] = mapped_column(Text, default="")


class PaperRow(Base):
    """A photo of the unit or the record of an electrical test, as it was attached to a certificate."""

    __tablename__ = "paper"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    certificate: Mapped[int] = mapped_column(ForeignKey("certificate.number"), index=True)
    name: Mapped[str] = mapped_column(String(64))
    media: Mapped[str] = mapped_column(String(64))
    content: Mapped[bytes] = mapped_column(LargeBinary)


class DripRow(Base):
    """One try of the drip challenge: so much water on a pad, seen or not."""

    __tablename__ = "drip"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    bench: Mapped[str] = mapped_column(String(32), index=True)
    zone: Mapped[str] = mapped_column(String(8))
    at: Mapped[float] = mapped_column(Float(53))
    ml: Mapped[float] = mapped_column(Float(53))
    seen: Mapped[bool] = mapped_column(Boolean)
