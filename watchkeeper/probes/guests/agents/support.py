"""When the support of a guest's system ends, by the release that its agent names and this host's distro-info-data."""

from collections.abc import Collection
from datetime import timedelta
from functools import partial
from pathlib import Path

from watchkeeper.model.observation import Deadline, SeriesKey, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.agents.agent import Distribution
from watchkeeper.probes.software import support_end
from watchkeeper.probes.software.support_end import Ends, Release, Support

LOOK_EVERY = timedelta(hours=12)
"""The tables change with an upgrade of their package."""


class GuestSupport:
    """Looks up the releases of guests. root: the folder of /usr, for tests. wanted: which end counts."""

    def __init__(self, context: ProbeContext, wanted: Support, timeout_s: float, root: Path) -> None:
        self._context, self._wanted, self._timeout_s, self._root = context, wanted, timeout_s, root
        self._ends: dict[Release, Ends | str] = {}
        self._looked_at = context.clock.now()

    async def look_up(self, releases: Collection[Release]) -> None:
        """Read when the support of these releases ends, if that is not known or was read long ago. Forget others."""
        now = self._context.clock.now()
        if abs(now - self._looked_at) > LOOK_EVERY:
            self._ends, self._looked_at = {}, now
        self._ends = {each: ends for each, ends in self._ends.items() if each in releases}
        for each in releases:
            if each not in self._ends:
                find = partial(support_end.find, self._root, each)
                self._ends[each] = await self._context.workers.call("releases' tables", find, self._timeout_s)

    def observe(self, name: str, system: Distribution) -> Deadline | Unseen:
        """The end of support of a guest's system, which was looked up before."""
        return support_end.support_of(
            SeriesKey(f"guest {name}", "support"), system.title, self._ends[system.release], self._wanted
        )
