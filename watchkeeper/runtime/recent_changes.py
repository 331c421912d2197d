"""The changes of the host: recorded in the store, and the recent ones at hand for messages.

What changed is looked up while a message is composed, which must not wait for the store. Not here: what counts as a
change (probes/changes/), and which of them belong to an alert (messages/changes.py).
"""

import asyncio
from collections import deque
from collections.abc import Sequence
from datetime import datetime, timedelta

from watchkeeper.messages import changes as words
from watchkeeper.model.change import Change, ChangeLog, MemoryChangeLog

REMEMBERED = timedelta(days=2)
"""How far back the recent changes are read at the start."""

MOST = 1_000
"""Changes at hand: an upgrade of a whole distribution; about 300 kB."""


class RecentChanges:
    """Records changes, and returns those before an instant."""

    def __init__(self, log: ChangeLog | None = None) -> None:
        """log: where they are kept; in memory by default."""
        self._log = log or MemoryChangeLog()
        self._recent = deque[Change](maxlen=MOST)
        self._recording = asyncio.Lock()

    def restore(self, changes: Sequence[Change]) -> None:
        """Continue with what the store holds, newest first."""
        self._recent.extend(reversed(changes))

    async def record(self, changes: Sequence[Change]) -> None:
        """Keep these. Raises StoreError if they cannot be stored; then none of them is remembered."""
        async with self._recording:
            new = [each for each in changes if each not in self._recent]
            if new:
                await self._log.record(new)
                self._recent.extend(new)

    def before(self, began: datetime) -> tuple[Change, ...]:
        """Those of the day before something began, nearest first."""
        return words.before(self._recent, began)
