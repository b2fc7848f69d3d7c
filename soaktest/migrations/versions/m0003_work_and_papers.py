"""What was done to a repaired part, and the papers that belong to a certificate."""

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


def downgrade() -> None:
    """What was recorded is never taken back."""
    raise NotImplementedError("what was recorded is never taken back")
