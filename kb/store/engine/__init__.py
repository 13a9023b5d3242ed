"""How a database is opened and kept in shape: SQLite and PostgreSQL, schema, migrations, the watch on a shared one."""
