"""The backups of this host's guests, for the probe `backups`. What reads them is imported with the first run.

A daemon without that probe then holds none of it. Not here: the reading itself (backups.py, scan.py).
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from watchkeeper.planning.backups import BackupsAnswer

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from watchkeeper.probes.base import ProbeContext
    from watchkeeper.settings import Settings

    Reader = Callable[[Settings, ProbeContext], Awaitable[BackupsAnswer]]


GUESTS = "guests"
"""The kind of probe that knows the guests; without one there is nothing to compare."""


class HostBackups:
    """Implements Backups (probes/base.py). settings: returns the configuration in use."""

    def __init__(self, settings: Callable[[], Settings]) -> None:
        self._settings = settings

    async def backups(self, context: ProbeContext) -> BackupsAnswer:
        """The backups of every guest; no guest where no probe knows them. Raises ProbeError."""
        settings = self._settings()
        if not any(each.kind == GUESTS for each in settings.probes):
            return BackupsAnswer(context.clock.now(), (), ())
        read = await asyncio.to_thread(_reader)
        return await read(settings, context)


def _reader() -> Reader:
    from watchkeeper.inventory.backups import of_host  # noqa: PLC0415  see above

    return of_host
