"""The journal's tables. One row a message, not one a sample: the message is the evidence."""

from __future__ import annotations

from sqlalchemy import ForeignKey, Index, LargeBinary, MetaData, Text, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import BigInteger, Float, Integer, String

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
    """A message as it arrived; boot and seq are those of a readings pack, else NULL."""

    __tablename__ = "message"
    id: Mapped[int] = mapped_column(ID, primary_key=True, autoincrement=True)
    at: Mapped[float] = mapped_column(Float(53))
    bench: Mapped[str] = mapped_column(String(32))
    node: Mapped[str] = mapped_column(String(32))
    kind: Mapped[str] = mapped_column(String(16))
    payload: Mapped[bytes] = mapped_column(LargeBinary)
    boot: Mapped[str | None] = mapped_column(String(64))
    seq: Mapped[int | None] = mapped_column(BigInteger)
    __table_args__ = (
        UniqueConstraint("bench", "node", "boot", "seq", name="uq_message_pack"),
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
