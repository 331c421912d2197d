"""The archive: the common record of several hosts in PostgreSQL, and the only place with its SQL.

Each host goes on by itself with SQLite, which is its truth; what it has committed is copied here afterwards.
"""
