"""The explanations of a run's wet events, kept beside its drawn timeline. What was drawn before is drawn again."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add a column; what was drawn before is drawn anew."""
    op.add_column("overview", sa.Column("whys", sa.LargeBinary))


def downgrade() -> None:
    """What was recorded is never taken back."""
    raise NotImplementedError("what was recorded is never taken back")
