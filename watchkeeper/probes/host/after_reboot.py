"""After a reboot of the host: what was there before and has not come back.

While the host runs, this records what is there (presence.py) and since when. A new boot id means that it was rebooted:
what had been there for a while until shortly before is expected back, once the host has had time to start it. There is
one condition for all of it, so that a reboot is reported once.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Literal, NamedTuple, Self

from pydantic import AwareDatetime, Field, model_validator

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Facts, Observation, SeriesKey
from watchkeeper.model.units import format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.guests.settings import Sockets
from watchkeeper.probes.host.presence import Presence, Sources
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import RootsideSettings

KEY = SeriesKey("host", "all back after its restart")

WRITTEN_EVERY_S = 1800.0
"""How precisely the last presence of things is stored: well within what counts as shortly before a reboot."""

THINGS_LIMIT = 2000
"""Guests, units and ports in total; a home server has a few dozen."""

NAMED_LIMIT = 5
"""Maximum names in the reason; the rest are in the facts."""


class AfterRebootSettings(RootsideSettings):
    """After a reboot of the host: guests, services and ports that were there before and have not come back."""

    kind: Literal["after-reboot"] = "after-reboot"
    every: Duration = Field(300.0, description="time between runs")
    timeout: Duration = Field(20.0, description="time after which a run is abandoned")
    boot_grace: Duration = Field(900.0, description="time after a boot during which things may still be starting")
    min_uptime: Duration = Field(
        1800.0, description="what ran for less than this before the reboot is not expected back"
    )
    max_downtime: Duration = Field(
        3600.0, description="what had been gone for longer than this before the reboot is not expected back"
    )
    sockets: Sockets = Field(
        (), description="the guests' QMP monitor sockets; paths or globs, such as /run/guests/*.qmp"
    )
    units: bool = Field(True, description="expect the services of systemd that ran before")
    ports: bool = Field(True, description="expect the TCP ports that were in use before")
    report_for: Duration = Field(
        604_800.0,
        description="how long missing things are reported; after that they count as removed on purpose",
    )
    exclude: tuple[str, ...] = Field(
        (), description='what is not expected back; globs such as "unit apt-*", "guest tide-log" or "port 8080"'
    )

    @model_validator(mode="after")
    def _looks_at_something(self) -> Self:
        if not (self.sockets or self.units or self.ports):
            raise ValueError("there is nothing to monitor; set sockets, units or ports")
        return self


class SeenInterval(NamedTuple):
    """From when to when something was seen. In wall-clock time, because it is read after a reboot."""

    first_at: AwareDatetime
    last_at: AwareDatetime


class _RebootState(StateModel):
    """boot: the id of the boot that this describes. seen: what was there. expected: from the previous boot.

    restarted_at: when this boot was first seen; None if no previous boot is known.
    """

    boot: str = ""
    seen: Mapping[str, SeenInterval] = Field(default_factory=dict)
    expected: tuple[str, ...] = ()
    restarted_at: AwareDatetime | None = None


class AfterRebootProbe(BaseProbe):
    """Records what is there, and compares after a reboot."""

    def __init__(self, settings: AfterRebootSettings, bench: ProbeContext, sources: Sources | None = None) -> None:
        self._settings, self._clock = settings, bench.clock
        self._sources = sources or Sources(bench, settings.timeout, settings.helper)
        self._state = ProbeState(bench.probe_states, settings.label, _RebootState())
        self._things: frozenset[str] = frozenset()
        self._boot, self._written_s = "", 0.0

    async def observe(self) -> Sequence[Observation]:
        """Check, compare, and record. Raises ProbeError if nothing at all can be checked."""
        settings, now = self._settings, self._clock.now()
        there = await self._sources.look(settings.sockets, units=settings.units, ports=settings.ports)
        if not there.looked:
            raise ProbeError(f"nothing could be read: {'; '.join(why for _, why in there.troubles)}")
        page = self._turn(await self._state.read(), there.boot, now)
        page = page.model_copy(update={"seen": self._note(page.seen, there, now)})
        await self._keep(page, there)
        return [self._condition(page, there)]

    async def _keep(self, page: _RebootState, there: Presence) -> None:
        """Write if something appeared or disappeared, otherwise rarely: durations are not worth a write each time."""
        now_s = self._clock.monotonic_s()
        changed = there.things != self._things or there.boot != self._boot
        if changed or now_s - self._written_s >= WRITTEN_EVERY_S:
            self._things, self._boot, self._written_s = there.things, there.boot, now_s
            await self._state.write(page)
        else:
            self._state.hold(page)

    def _turn(self, page: _RebootState, boot: str, now: datetime) -> _RebootState:
        """At a new boot, start new state: what was there becomes what is expected."""
        if page.boot == boot:
            return page
        expected = expected_back(page.seen, self._settings.min_uptime, self._settings.max_downtime)
        return _RebootState(boot=boot, expected=expected, restarted_at=now if page.boot else None)

    def _note(self, seen: Mapping[str, SeenInterval], there: Presence, now: datetime) -> dict[str, SeenInterval]:
        """What was seen, with this check added. What is gone for too long to be expected back is dropped.

        The clock may have been set back in between: no interval may end before it begins.
        """
        shortly = timedelta(seconds=self._settings.max_downtime)
        stays = {thing: stay for thing, stay in seen.items() if now - stay.last_at <= shortly or not there.tells(thing)}
        for thing in there.things:
            first_at = min(stays[thing].first_at, now) if thing in stays else now
            stays[thing] = SeenInterval(first_at, now)
        newest = sorted(stays.items(), key=lambda item: item[1].last_at, reverse=True)
        return dict(newest[:THINGS_LIMIT])

    def _condition(self, page: _RebootState, there: Presence) -> Condition:
        facts: Facts = tuple((f"could not be read: {what}", why) for what, why in there.troubles)
        if page.restarted_at is None:
            return Condition(KEY, ok=True, facts=(("known from before the last restart", "nothing"), *facts))
        absent = [thing for thing in page.expected if there.tells(thing) and thing not in there.things]
        absent = [thing for thing in absent if not self._left_out(thing)]
        facts = (("expected back", str(len(page.expected))), *facts)
        if there.up_s >= self._settings.report_for:
            return Condition(KEY, ok=True, facts=facts)
        if there.up_s < self._settings.boot_grace:
            left = format_duration(round(self._settings.boot_grace - there.up_s))
            return Condition(KEY, ok=True, facts=(("still starting", f"checked in {left}"), *facts))
        facts += tuple(("not back", thing) for thing in absent[:50])
        return Condition(KEY, not absent, _why(absent), facts=facts)

    def _left_out(self, thing: str) -> bool:
        return self._sources.matches(thing, self._settings.exclude)


def expected_back(seen: Mapping[str, SeenInterval], settled_s: float, shortly_s: float) -> tuple[str, ...]:
    """What was there for a while, until shortly before the last check of its boot.

    Until shortly before, and not until the last check: a host that shuts down stops one thing after the other.
    """
    if not seen:
        return ()
    ended_at = max(stay.last_at for stay in seen.values())
    settled, shortly = timedelta(seconds=settled_s), timedelta(seconds=shortly_s)
    return tuple(
        sorted(
            thing
            for thing, stay in seen.items()
            if stay.last_at - stay.first_at >= settled and ended_at - stay.last_at <= shortly
        )
    )


def _why(absent: Sequence[str]) -> str:
    if not absent:
        return ""
    more = f" and {len(absent) - NAMED_LIMIT} more" if len(absent) > NAMED_LIMIT else ""
    have = "has" if len(absent) == 1 else "have"
    return f"{clip(', '.join(absent[:NAMED_LIMIT]), 150)}{more} {have} not come back"
