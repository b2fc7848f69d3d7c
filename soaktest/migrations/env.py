"""Alembic's own entry point; migrations are run by :mod:`soaktest.migrations.migrate`."""
