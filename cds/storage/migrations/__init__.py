"""Migrations of the store (Alembic), run by ``cds.storage.database``."""
