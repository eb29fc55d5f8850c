"""Alembic migrations: every schema that was ever released leads to the present one."""
