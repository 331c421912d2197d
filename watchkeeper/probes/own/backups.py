"""Whether every guest has a backup, and one that is not lost with its own store.

Not here: whether a backup is recent enough, which the probe of that backup reports (storage/snapshot_files.py,
services/job.py), and how both are compared with the guests (inventory/backups.py).
"""

from collections.abc import Sequence
from fnmatch import fnmatchcase
from typing import Literal

from pydantic import Field

from watchkeeper.config.tables.rules import FaultySettings, RulesSettings
from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.model.observation import Condition, Observed, SeriesKey, Unseen
from watchkeeper.model.units import HOUR_S
from watchkeeper.planning.backups import Coverage, GuestBackup, guests_with
from watchkeeper.probes.base import BaseProbe, ProbeContext

EXISTS, PLACED = SeriesKey("guests", "backups"), SeriesKey("guests", "backup placement")

WHAT = "backups of guests"

FACTS_LIMIT = 20
"""Guests that the facts list; `watchkeeper backups` lists all."""

REMEDY = (
    "name the guest in backup_of of the probe that monitors its backup (kind snapshots or job), or in exclude of the "
    "probe of kind backups if it needs none"
)


class BackupsSettings(ProbeSettings):
    """Guests that no probe's `backup_of` names, and guests whose only backup is on their own store: a caution."""

    usual_rules = RulesSettings(faulty=FaultySettings(priority="caution", failed_priority="caution"))

    kind: Literal["backups"] = "backups"
    every: Duration = Field(6 * HOUR_S, description="time between runs")
    timeout: Duration = Field(60.0, description="time after which a run is abandoned")
    exclude: tuple[str, ...] = Field((), description="guests that need no backup; globs")


class BackupsProbe(BaseProbe):
    """Compares the guests with the configured backups."""

    def __init__(self, settings: BackupsSettings, context: ProbeContext) -> None:
        self._settings, self._context = settings, context

    async def observe(self) -> Sequence[Observed]:
        """Two conditions for all guests, and what is not known; nothing without guests. Raises ProbeError."""
        port = self._context.backups
        if port is None:
            return [Unseen(WHAT, "only the daemon and `watchkeeper probe` compare them")]
        found = await port.backups(self._context)
        guests = [each for each in found.guests if not self._excluded(each.name)]
        unseen = [Unseen(WHAT, each) for each in found.unseen if each.startswith("guest")]
        unseen += [
            Unseen(f"{WHAT}: {each.name}", "; ".join(each.reasons))
            for each in guests
            if each.coverage is Coverage.UNKNOWN
        ]
        if not guests:
            return unseen
        return [_exists(guests), _placed(guests), *unseen]

    def _excluded(self, name: str) -> bool:
        return any(fnmatchcase(name, glob) for glob in self._settings.exclude)


def _exists(guests: Sequence[GuestBackup]) -> Condition:
    said = guests_with(guests, Coverage.NONE, "has no backup that is known", "have no backup that is known")
    facts = tuple((each.name, each.coverage.value) for each in guests[:FACTS_LIMIT])
    return Condition(EXISTS, not said, f"{said}: {REMEDY}" if said else "", facts=facts)


def _placed(guests: Sequence[GuestBackup]) -> Condition:
    one, several = "has backups on its own store only", "have backups on their own store only"
    said = guests_with(guests, Coverage.SHARED, one, several)
    return Condition(PLACED, not said, f"{said}: both are lost together" if said else "")
