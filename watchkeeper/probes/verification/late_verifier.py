"""The reader of backups' files, imported with the first set whose files are read: other hosts hold none of it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from watchkeeper.model.observation import Observed
    from watchkeeper.model.ports import ReadStore
    from watchkeeper.probes.base import BackupSet, Listed, ProbeContext
    from watchkeeper.probes.verification.verifier import Verifier


class LateVerifier:
    """Implements Verification (probes/base.py). store: what guests have written, as it is recorded."""

    def __init__(self, store: ReadStore) -> None:
        self._store = store
        self._verifier: Verifier | None = None

    async def look(self, context: ProbeContext, backups: BackupSet, files: Sequence[Listed]) -> Sequence[Observed]:
        """What is known of the set's newest files."""
        verifier = self._verifier or self._first(await asyncio.to_thread(_kind))
        return await verifier.look(context, backups, files)

    async def release(self, context: ProbeContext, label: str) -> None:
        """Nothing of this set is read any more."""
        if self._verifier is not None:
            await self._verifier.release(context, label)

    def _first(self, kind: type[Verifier]) -> Verifier:
        """The one for all sets: another one may have asked meanwhile."""
        if self._verifier is None:
            self._verifier = kind(self._store)
        return self._verifier


def _kind() -> type[Verifier]:
    from watchkeeper.probes.verification.verifier import Verifier  # noqa: PLC0415  see above

    return Verifier
