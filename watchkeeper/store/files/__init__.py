"""The database as a file: its lock, its backups, and the spool beside it. Not here: rows."""
