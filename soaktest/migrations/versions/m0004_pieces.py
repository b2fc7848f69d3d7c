"""An hour of a judged run's lines at a time, so that a zoom reads what is in view. Drawn timelines are drawn again."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    """Add a table; what was drawn before has no pieces."""
    op.create_table(
        "piece",
        sa.Column(
            "run", ID, sa.ForeignKey("run.id", name="fk_piece_run"), primary_key=True, autoincrement=False
        ),
        sa.Column("fine", sa.Boolean, primary_key=True),
        sa.Column("hour", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.execute("DELETE FROM overview")


def downgrade() -> None:
    """What was recorded is never taken back."""
    raise NotImplementedError("what was recorded is never taken back")
