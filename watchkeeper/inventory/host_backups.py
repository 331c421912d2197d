"""The backups of this host's guests, for the probe `backups`. What reads them is imported with the first run.

A daemon without guests then holds none of it. Not here: the reading itself (backup_conditions.py).
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from watchkeeper.model.observation import Observed
    from watchkeeper.probes.base import ProbeContext
    from watchkeeper.settings import Settings

    Reader = Callable[[Settings, ProbeContext, Sequence[str]], Awaitable[Sequence[Observed]]]

GUESTS = "guests"
"""The kind of probe that knows the guests; without one there is nothing to compare."""


class HostBackups:
    """Implements Backups (probes/base.py). settings: returns the configuration in use."""

    def __init__(self, settings: Callable[[], Settings]) -> None:
        self._settings = settings

    async def conditions(self, context: ProbeContext, exclude: Sequence[str]) -> Sequence[Observed]:
        """What the guests' backups are; nothing where no probe knows guests. Raises ProbeError."""
        settings = self._settings()
        if not any(each.kind == GUESTS for each in settings.probes):
            return []
        read = await asyncio.to_thread(_reader)
        return await read(settings, context, exclude)


def _reader() -> Reader:
    from watchkeeper.inventory.backup_conditions import of_host  # noqa: PLC0415  see above

    return of_host
