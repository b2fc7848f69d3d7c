"""Bring a journal's tables up to date, one process at a time."""

from __future__ import annotations

import sqlalchemy as sa
from alembic.config import Config
from alembic.runtime.environment import EnvironmentContext
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

LOCK = 417_417


def migrate(engine: sa.Engine) -> None:
    """Run what is pending. Two processes that start together do not both run it."""
    config = Config()
    config.set_main_option("script_location", "soaktest:migrations")
    script = ScriptDirectory.from_config(config)
    with engine.connect() as connection:
        current = MigrationContext.configure(connection).get_current_revision()
        if current == script.get_current_head():
            return
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({LOCK})"))
        else:
            connection.exec_driver_sql("BEGIN IMMEDIATE")

        def upgrade(revision: object, _context: object) -> list[object]:
            return list(script._upgrade_revs("head", revision))  # type: ignore[arg-type]

        with EnvironmentContext(config, script, fn=upgrade) as environment:
            environment.configure(connection=connection, target_metadata=None, transactional_ddl=True)
            environment.run_migrations()
        connection.commit()
