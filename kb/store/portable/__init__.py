"""A store as one portable file: its SQLite copy, the backup file around it, and the copy made before an upgrade."""
