"""What changed on the host, and who records it.

A change is a fact with a time, not a judgement: nothing here says that it caused anything. Probes and the pipeline
record changes when they see them. Not here: how changes are shown (messages/changes.py), and where they are kept
(store/history/change_rows.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol


class ChangeKind(StrEnum):
    """What kind of thing changed."""

    RESTART = "restart"  # of the host
    KERNEL = "kernel"
    MODULE = "module"  # of the kernel
    PACKAGE = "package"
    UNIT = "unit"  # unit files and their links, timers included
    SCHEDULE = "schedule"  # cron tables
    MOUNT = "mount"  # what is mounted, and the mount table
    GUEST = "guest"
    DEVICE = "device"  # disks and adapters
    CONFIGURATION = "configuration"  # of watchkeeper
    NOTE = "note"  # by the operator


@dataclass(frozen=True, slots=True)
class Change:
    """One change.

    at: when it happened, or when it was seen. what: the name of the thing (`openssl`, `ringing-db`). action: one word
    or two (`upgraded`, `enlarged`). detail: the rest (`from 3.0.9 to 3.0.11`). after: if the moment is not known, the
    last time at which it had not happened; None: `at` is the moment itself.
    """

    at: datetime
    kind: ChangeKind
    what: str
    action: str
    detail: str = ""
    after: datetime | None = None


class ChangeLog(Protocol):
    """Keeps changes."""

    async def record(self, changes: Sequence[Change]) -> None:
        """Keep these; one that is there already is not kept twice. Raises StoreError if they cannot be stored."""
        ...


class MemoryChangeLog:
    """Changes in memory: for tests, and for a single run that leaves nothing behind."""

    def __init__(self) -> None:
        self.changes: list[Change] = []

    async def record(self, changes: Sequence[Change]) -> None:
        """Keep these."""
        self.changes += [each for each in changes if each not in self.changes]
