"""Timers of systemd: whether each still starts its job. The deadline is two periods after the last run.

A timer that was disabled, whose file was lost, or whose job hangs since the last run does not fail: it only does not
run. Not here: whether the job did its work (services/job.py), and whether its unit failed (units.py).
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from fnmatch import fnmatchcase
from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ToolMissing
from watchkeeper.model.observation import Deadline, Facts, Observed, SeriesKey, Unseen
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support import systemctl
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.systemd.listed_timers import Timer, list_timers, own

PERIODS = 2.0
"""A run may be late by a whole period: RandomizedDelaySec= and a host that was off move it."""

SHORTEST_S = 3600.0
"""The deadline is never shorter: a timer of every minute that misses two runs says little."""

EPOCH = datetime(1970, 1, 2, tzinfo=UTC)
"""A run before this was on a host whose clock was not set."""

FORGOTTEN_AFTER = timedelta(days=7)
"""A timer that is no longer loaded for this long was removed."""


class TimersSettings(ProbeSettings):
    """Timers of systemd: whether each one still runs. Timers of the distribution are not monitored."""

    kind: Literal["timers"] = "timers"
    every: Duration = Field(300.0, description="time between runs")
    timeout: Duration = Field(10.0, description="time after which systemd is reported as not answering")
    exclude: tuple[str, ...] = Field((), description="timers that need not run; globs")


class KnownTimer(BaseModel):
    """A timer that ran. last_at: when it ran last; period_s: the longest of the last periods, in seconds.

    missing_since: since when systemd does not list it; None if it does.
    """

    model_config = ConfigDict(frozen=True)

    last_at: AwareDatetime
    period_s: float
    activates: str = ""
    missing_since: AwareDatetime | None = None


class TimersKnown(StateModel):
    """By the timer's name."""

    timers: Mapping[str, KnownTimer] = Field(default_factory=dict)


class TimersProbe(BaseProbe):
    """Monitors every timer of the system's service manager that is not the distribution's own."""

    def __init__(self, settings: TimersSettings, bench: ProbeContext) -> None:
        self._settings, self._bench = settings, bench
        self._state = ProbeState(bench.probe_states, settings.label, TimersKnown())

    async def observe(self) -> Sequence[Observed]:
        """List the timers. Raises ProbeError if systemd does not answer."""
        try:
            listed = await list_timers(self._bench, self._settings.timeout)
        except ToolMissing as error:
            return [Unseen("timers of systemd", str(error))]
        now = self._bench.clock.now()
        there = {each.unit: each for each in listed if self._concerns(each)}
        before = {name: each for name, each in (await self._state.read()).timers.items() if not self._left_out(name)}
        known = _known(before, there, now)
        await self._state.write(TimersKnown(timers=known))
        return [_deadline(name, each) for name, each in sorted(known.items())]

    def _concerns(self, timer: Timer) -> bool:
        return own(timer.unit) and bool(systemctl.UNIT.fullmatch(timer.unit)) and not self._left_out(timer.unit)

    def _left_out(self, name: str) -> bool:
        return any(fnmatchcase(name, each) for each in self._settings.exclude)


def _known(before: Mapping[str, KnownTimer], there: Mapping[str, Timer], now: datetime) -> dict[str, KnownTimer]:
    """What is known of each timer with this look. One that never ran, or whose period is not known, is not included."""
    known = {}
    for name in {**before, **there}:
        timer, old = there.get(name), before.get(name)
        if timer is None:
            since = old.missing_since or now if old else now
            if old and now - since < FORGOTTEN_AFTER:
                known[name] = old.model_copy(update={"missing_since": since})
        elif found := _with(old, timer, now):
            known[name] = found
    return known


def _with(old: KnownTimer | None, timer: Timer, now: datetime) -> KnownTimer | None:
    last_at, period_s = timer.last_at, timer.period_s
    if last_at is None or not EPOCH < last_at <= now:
        return old.model_copy(update={"missing_since": None}) if old else None
    if period_s is None:  # It runs now, or it was stopped: the period that it had still holds.
        return old.model_copy(update={"last_at": last_at, "missing_since": None}) if old else None
    # On weekdays only, the period before a weekend is longer: it must not shrink before the weekend has passed.
    same = old is not None and old.last_at == last_at
    period_s = max(period_s, old.period_s) if old and same else period_s
    return KnownTimer(last_at=last_at, period_s=period_s, activates=timer.activates or "")


def _deadline(name: str, timer: KnownTimer) -> Deadline:
    limit_s = max(PERIODS * timer.period_s, SHORTEST_S)
    facts: Facts = (("starts", clip(printable(timer.activates))),) if timer.activates else ()
    if timer.missing_since is not None:
        facts += (("not loaded since", f"{timer.missing_since:%Y-%m-%d %H:%M} UTC"),)
    due_at = timer.last_at + timedelta(seconds=limit_s)
    return Deadline(
        SeriesKey(f"timer {printable(name.removesuffix('.timer'))}", "last run"), due_at, timer.last_at, limit_s, facts
    )
