"""Migrations that rewrite rows: the code that an SQL statement cannot replace. The SQL is in store/statements.py."""
