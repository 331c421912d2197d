"""Whether every guest has a backup, and one that is not lost with its own store.

Not here: whether a backup is recent enough, which the probe of that backup reports (storage/snapshot_files.py,
services/job.py), and how guests and backups are compared (inventory/backup_conditions.py).
"""

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from watchkeeper.config.tables.rules import FaultySettings, RulesSettings
from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.model.observation import Observed, SeriesKey, Unseen
from watchkeeper.model.units import HOUR_S
from watchkeeper.probes.base import BaseProbe, ProbeContext

EXISTS, PLACED = SeriesKey("guests", "backups"), SeriesKey("guests", "backup placement")

WHAT = "backups of guests"


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
        return await port.conditions(self._context, self._settings.exclude)
