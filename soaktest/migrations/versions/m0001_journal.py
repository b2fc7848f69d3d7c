"""Messages, what was set aside, tallies, units and runs."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "message",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("at", sa.Float(53), nullable=False),
        sa.Column("bench", sa.String(32), nullable=False),
        sa.Column("node", sa.String(32), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.Column("boot", sa.String(64)),
        sa.Column("seq", sa.BigInteger),
        sa.UniqueConstraint("bench", "node", "boot", "seq", name="uq_message_pack"),
    )
    op.create_index("ix_message_bench_at", "message", ["bench", "at"])
    op.create_table(
        "set_aside",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("at", sa.Float(53), nullable=False),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
    )
    op.create_table(
        "tally",
        sa.Column("name", sa.String(64), primary_key=True),
        sa.Column("count", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "unit",
        sa.Column("tag", sa.String(64), primary_key=True),
        sa.Column("kind", sa.String(64), nullable=False),
        sa.Column("complaint", sa.Text, nullable=False),
        sa.Column("taken_in", sa.Float(53), nullable=False),
    )
    op.create_table(
        "run",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("bench", sa.String(32), nullable=False),
        sa.Column("unit", sa.String(64), sa.ForeignKey("unit.tag", name="fk_run_unit")),
        sa.Column("plan", sa.Text, nullable=False),
        sa.Column("layout", sa.Text, nullable=False),
        sa.Column("began", sa.Float(53), nullable=False),
        sa.Column("ended", sa.Float(53)),
        sa.Column("stage", sa.String(16), nullable=False),
        sa.Column("findings", sa.Text),
        sa.Column("judged_at", sa.Float(53)),
        sa.Column("judged_by", sa.String(64)),
    )
    op.create_index("ix_run_bench", "run", ["bench"])


def downgrade() -> None:
    """The journal is never taken back: the message is the evidence."""
    raise NotImplementedError("the journal is never taken back")
