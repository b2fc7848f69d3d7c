"""Alembic migrations; they run by themselves when a journal is opened."""
