"""The store: SQLite behind one writer thread. Nothing outside this package knows SQL."""
