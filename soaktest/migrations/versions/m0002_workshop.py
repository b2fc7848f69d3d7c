"""Notes, pad checks, the units' stories, certificates and their keys, drip challenges."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def _key(name: str, table: str, column: str) -> sa.ForeignKey:
    return sa.ForeignKey(column, name=f"fk_{table}_{name}")


def upgrade() -> None:
    """Widen unit and run, and make the workshop's tables."""
    op.add_column("unit", sa.Column("serial", sa.String(128), nullable=False, server_default=""))
    op.add_column("run", sa.Column("override", sa.Text))
    op.add_column("run", sa.Column("acknowledged_at", sa.Float(53)))
    op.create_table(
        "note",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("run", ID, _key("run", "note", "run.id"), nullable=False),
        sa.Column("at", sa.Float(53), nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("photo", sa.LargeBinary),
        sa.Column("photo_type", sa.String(16)),
    )
    op.create_table(
        "pad_check",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("bench", sa.String(32), nullable=False),
        sa.Column("zone", sa.String(8), nullable=False),
        sa.Column("at", sa.Float(53), nullable=False),
        sa.Column("dry_siemens", sa.Float(53), nullable=False),
        sa.Column("wet_siemens", sa.Float(53), nullable=False),
        sa.Column("ml", sa.Float(53), nullable=False),
        sa.Column("fault", sa.Text, nullable=False),
    )
    op.create_table(
        "story",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("unit", sa.String(64), _key("unit", "story", "unit.tag"), nullable=False),
        sa.Column("at", sa.Float(53), nullable=False),
        sa.Column("what", sa.String(16), nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("part", sa.String(64)),
        sa.Column("minutes", sa.Float(53)),
        sa.Column("cost", sa.Float(53)),
        sa.Column("run", ID, _key("run", "story", "run.id")),
        sa.Column("personal", sa.Text),
        sa.Column("corrects", ID, _key("corrects", "story", "story.id")),
        sa.Column("written_at", sa.Float(53), nullable=False),
    )
    op.create_table(
        "signing_key",
        sa.Column("kid", sa.String(64), primary_key=True),
        sa.Column("public_jwk", sa.Text, nullable=False),
        sa.Column("made_at", sa.Float(53), nullable=False),
        sa.Column("retired_at", sa.Float(53)),
        sa.Column("revoked_at", sa.Float(53)),
    )
    op.create_table(
        "certificate",
        sa.Column("number", ID, primary_key=True, autoincrement=False),
        sa.Column("run", ID, _key("run", "certificate", "run.id"), nullable=False),
        sa.Column("unit", sa.String(64), _key("unit", "certificate", "unit.tag")),
        sa.Column("issued_at", sa.Float(53), nullable=False),
        sa.Column("token", sa.Text, nullable=False),
        sa.Column("supersedes", ID, _key("supersedes", "certificate", "certificate.number")),
        sa.Column("revoked_at", sa.Float(53)),
        sa.Column("revoked_why", sa.Text, nullable=False),
    )
    op.create_table(
        "drip",
        sa.Column("id", ID, primary_key=True, autoincrement=True),
        sa.Column("bench", sa.String(32), nullable=False),
        sa.Column("zone", sa.String(8), nullable=False),
        sa.Column("at", sa.Float(53), nullable=False),
        sa.Column("ml", sa.Float(53), nullable=False),
        sa.Column("seen", sa.Boolean, nullable=False),
    )
    for table, column in (
        ("note", "run"),
        ("pad_check", "bench"),
        ("story", "unit"),
        ("certificate", "run"),
        ("drip", "bench"),
    ):
        op.create_index(f"ix_{table}_{column}", table, [column])


def downgrade() -> None:
    """What was recorded is never taken back."""
    raise NotImplementedError("what was recorded is never taken back")
