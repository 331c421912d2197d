"""The software of the host: security updates that wait, packages, restarts that are due, and the end of support.

What waits is late when it has been seen waiting for `update_limit` or `restart_limit`; since when is kept across
restarts. Everything is read as any user, and nothing is fetched or changed. Not here: the software of guests.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import DAY_S, format_age
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.software import apt, system
from watchkeeper.probes.software.packages import PackageFiles
from watchkeeper.probes.software.support_end import SUPPORT_RULES, Support
from watchkeeper.probes.software.waiting import Waiting
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import run_tool

T = TypeVar("T")

UPDATES = SeriesKey("packages", "security updates")

NAMED = 10

KEPT = 500
"""Packages with security updates that are remembered."""


class SoftwareSettings(ProbeSettings):
    """The software of the host: security updates, packages, restarts that are due, end of support."""

    usual_rules = SUPPORT_RULES

    kind: Literal["software"] = "software"
    every: Duration = Field(3600.0, description="time between runs")
    timeout: Duration = Field(120.0, description="time after which a run is abandoned")
    update_limit: Duration = Field(14 * DAY_S, description="how long a security update may wait")
    restart_limit: Duration = Field(14 * DAY_S, description="how long a restart that is due may wait")
    lists_limit: Duration = Field(7 * DAY_S, description="how old the package lists may be")
    support: Support = Field(
        Support.REGULAR, description='which end of support counts: "regular", "long" (long-term), "extended" (paid)'
    )


class KeptUpdates(BaseModel):
    """The last list of updates, and when it was made. security: the packages that have a security update."""

    model_config = ConfigDict(frozen=True)

    at: AwareDatetime
    security: tuple[str, ...] = ()
    others: int = 0


class SoftwareState(StateModel):
    """waiting: when each thing that waits was first seen. locked_at: since when apt or dpkg has been at work."""

    waiting: Mapping[str, AwareDatetime] = Field(default_factory=dict)
    updates: KeptUpdates | None = None
    locked_at: AwareDatetime | None = None


class SoftwareProbe(BaseProbe):
    """Monitors the software of this host."""

    def __init__(self, settings: SoftwareSettings, context: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /boot, /etc, /proc, /usr and /var, for tests."""
        self._settings, self._context, self._root = settings, context, root
        self._state = ProbeState(context.probe_states, settings.label, SoftwareState())
        self._files = PackageFiles(root, settings.lists_limit)
        self._simulated: int | None = None

    async def observe(self) -> Sequence[Observed]:
        """Look once. What cannot be told is Unseen. Raises ProbeTimeout and StillHanging."""
        before, now = await self._state.read(), self._context.clock.now()
        waiting, seen = Waiting(before.waiting, now), list[Observed]()
        locked_at, kept = None, before.updates
        if (self._root / apt.STATUS).exists():
            if await self._call(partial(apt.is_locked, self._root)):
                locked_at, trouble = before.locked_at or now, "apt or dpkg is at work"
            else:
                kept, trouble = await self._updates(before.updates, now)
            seen += self._late(kept, trouble, waiting, now)
            seen += await self._call(lambda: list(self._files.observe(locked_at, now)))
        else:
            seen.append(Unseen("packages", "this is known only where dpkg manages the packages"))
        seen += await self._call(lambda: list(self._host(waiting)))
        await self._state.write(SoftwareState(waiting=waiting.seen, updates=kept, locked_at=locked_at))
        return seen

    async def _call(self, work: Callable[[], T]) -> T:
        return await self._context.workers.call("installed software", work, self._settings.timeout)

    def _host(self, waiting: Waiting) -> Iterator[Observed]:
        yield from system.observe_kernels(self._root, waiting, self._settings.restart_limit)
        yield system.observe_support(self._root, self._settings.support)

    async def _updates(self, kept: KeptUpdates | None, now: datetime) -> tuple[KeptUpdates | None, str]:
        """The updates that wait, and why they are not known as of now; the simulation runs if its files changed."""
        changed = await self._call(partial(apt.fingerprint, self._root))
        if kept is not None and changed == self._simulated:
            return kept.model_copy(update={"at": now}), ""
        try:
            text = await run_tool(self._context, apt.simulation(self._root), self._settings.timeout)
        except ProbeError as error:
            return kept, str(error)
        found = apt.read_simulation(text)
        self._simulated = changed
        security = tuple(sorted({each.name for each in found if each.security}))
        return KeptUpdates(at=now, security=security[:KEPT], others=len(found) - len(security)), ""

    def _late(self, kept: KeptUpdates | None, trouble: str, waiting: Waiting, now: datetime) -> Iterator[Observed]:
        """The deadline for the updates that wait. trouble: why the list is an old one; empty if it is not."""
        if kept is None:
            yield Unseen("packages: security updates", trouble)
            return
        security = kept.security
        facts: Facts = (("security updates", str(len(security))), ("other updates", str(kept.others)))
        if security:
            more = f" and {len(security) - NAMED} more" if len(security) > NAMED else ""
            facts += (("packages", clip(", ".join(security[:NAMED]), 300) + more),)
        if trouble:
            facts += (("as of", f"{format_age((now - kept.at).total_seconds())} ago: {clip(trouble)}"),)
        names = (f"update {each}" for each in security)
        yield waiting.deadline(UPDATES, names, self._settings.update_limit, facts)
