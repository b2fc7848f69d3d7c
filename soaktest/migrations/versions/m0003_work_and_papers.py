"""What was done to a repaired part, papers of a certificate, drawn timelines, replays apart, one run at a time on a bench."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Add a column to the story, and a table."""
    op.add_column("story", sa.Column("work", sa.String(16)))
    op.create_table(
        "paper",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column(
            "certificate",
            ID,
            sa.ForeignKey("certificate.number", name="fk_paper_certificate"),
            nullable=False,
        ),
        sa.Column("name", sa.String(64), nullable=False),
        sa.Column("media", sa.String(64), nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_index("ix_paper_certificate", "paper", ["certificate"])
    op.create_table(
        "overview",
        sa.Column(
            "run", ID, sa.ForeignKey("run.id", name="fk_overview_run"), primary_key=True, autoincrement=False
        ),
        sa.Column("made_by", sa.String(64), nullable=False),
        sa.Column("figure", sa.LargeBinary, nullable=False),
    )
    for table in ("set_aside", "run"):
        op.add_column(table, sa.Column("source", sa.String(32), server_default="", nullable=False))
    with op.batch_alter_table("message") as batch:
        batch.add_column(sa.Column("source", sa.String(32), server_default="", nullable=False))
        batch.drop_constraint("uq_message_pack", type_="unique")
        batch.create_unique_constraint("uq_message_pack", ["source", "bench", "node", "boot", "seq"])
    # two that were begun at the same moment could both be under way: only the newest stays so
    op.execute(
        "UPDATE run SET ended = (SELECT min(later.began) FROM run AS later WHERE later.bench = run.bench AND later.id > run.id), stage = 'cancelled' WHERE ended IS NULL AND id NOT IN "
        "(SELECT max(id) FROM run WHERE ended IS NULL GROUP BY bench)"
    )
    under_way = sa.text("ended IS NULL")
    op.create_index(
        "uq_run_under_way", "run", ["bench"], unique=True, sqlite_where=under_way, postgresql_where=under_way
    )


def downgrade() -> None:
    """What was recorded is never taken back."""
    raise NotImplementedError("what was recorded is never taken back")
