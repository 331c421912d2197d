"""The store: SQLite behind one writer thread. Nothing outside this package knows SQL."""

from watchkeeper.store.store import Store

__all__ = ["Store"]
