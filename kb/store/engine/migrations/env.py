"""Runs a migration on the connection that the store hands over, in the store's own transaction."""

from alembic import context

from kb.store.tables.core import Table

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Table.metadata,
    render_as_batch=True,
    transactional_ddl=True,
    transaction_per_migration=False,
)
context.run_migrations()
