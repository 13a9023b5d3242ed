"""Runs a migration on the connection that the store hands over, in the store's own transaction."""

from alembic import context

# Their tables are in the metadata.
from kb.store import bench_tables, file_tables, people_tables, sheet_tables  # noqa: F401
from kb.store.tables import Table

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Table.metadata,
    render_as_batch=True,
    transactional_ddl=True,
    transaction_per_migration=False,
)
context.run_migrations()
