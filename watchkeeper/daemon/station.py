"""What a station adds to a daemon: it watches whether the hosts still write to the archive.

That is a probe of its own, so rules, states, messages and outbox are those of everything else. Not here: reading the
archive (watchkeeper/archive), and who of several stations sends (common_store.py).
"""

from collections.abc import Sequence
from datetime import timedelta, tzinfo

from watchkeeper.alerting.rules import Rules
from watchkeeper.archive.common_store import CommonStore
from watchkeeper.archive.hosts_reader import Host
from watchkeeper.clock import Clock
from watchkeeper.errors import ArchiveError, ProbeError
from watchkeeper.messages import wording
from watchkeeper.model.hosts import heard_from
from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.probes.base import BaseProbe
from watchkeeper.runtime.scheduled_probe import ScheduledProbe

LABEL = " hosts"
"""Among the probes; no configured probe can have this name, because names are stripped."""

EVERY_S = 15.0

NAMED = 2
"""Alerts that were active when a host fell silent, and that the reason names."""


class HostsWatched(BaseProbe):
    """Reports each host of the archive that no longer writes to it."""

    def __init__(self, common: CommonStore, silent_after_s: float, zone: tzinfo, clock: Clock) -> None:
        self._common, self._silent_after_s = common, silent_after_s
        self._zone, self._clock = zone, clock

    async def observe(self) -> Sequence[Observed]:
        """Look at every host. Raises ProbeError while the archive cannot be read: then nobody knows."""
        try:
            hosts = await self._common.look()
        except ArchiveError as error:
            raise ProbeError(str(error)) from error
        return [await self._observed(each) for each in hosts]

    async def _observed(self, host: Host) -> Observed:
        key = heard_from(host.name)
        if host.silent_s is None:
            return Unseen(key.subject, "it has not written to the archive yet")
        ok = host.silent_s <= self._silent_after_s
        return Condition(
            key,
            ok=ok,
            reason="" if ok else await self._reason(host, host.silent_s),
            grave=True,
        )

    async def _reason(self, host: Host, silent_s: float) -> str:
        now = self._clock.now()
        since = wording.exact_instant(now - timedelta(seconds=silent_s), self._zone, now)
        stopped = "; watchkeeper was stopped there" if await self._common.was_stopped(host) else ""
        return f"since {since}{stopped}; {self._known_then(host)}"

    def _known_then(self, host: Host) -> str:
        """The most urgent alerts that were active then."""
        state = self._common.state_of(host.name)
        found = {(each.key, each.concern): each.reason for each in state.findings}
        standing = sorted(
            (a for a in state.alerts if a.standing and a.priority is not None), key=lambda a: -int(a.priority or 0)
        )
        if not standing:
            return "no alert was active then"
        said = [
            f"{wording.thing(each.key)}: {wording.clean(found.get((each.key, each.concern)) or each.concern.value)}"
            for each in standing[:NAMED]
        ]
        more = f", and {len(standing) - NAMED} more" if len(standing) > NAMED else ""
        return f"active then: {'; '.join(said)}{more}"

    def watched(self) -> ScheduledProbe:
        """The probe for the schedule."""
        return ScheduledProbe(LABEL, EVERY_S, self, Rules())
