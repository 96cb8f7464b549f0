"""Alembic's entry: runs migrations on the connection, and inside the transaction, that ``cds.storage.database`` hands over."""

from alembic import context

from cds.storage.database_schema import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
