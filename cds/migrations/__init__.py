"""Migrations of the store (Alembic), run by ``cds.store``."""
