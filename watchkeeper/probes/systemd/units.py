"""systemd units: which have failed or keep being restarted, and whether the required ones are active.

How systemd is queried is in probes/support/systemctl.py. A unit that failed keeps its own series, so that its recovery
is reported too.
"""

from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.model.observation import Condition, Facts, Observation, SeriesKey
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support import systemctl
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel

FAILED = ("--all", "--state=failed,auto-restart")
"""--state also accepts sub-states. auto-restart: a service whose process ended, and that waits to be started again."""

REMEMBERED_LIMIT = 200
"""Maximum number of units that failed once and are still reported; beyond that, the oldest are dropped."""

RESULTS = {
    "exit-code": "its process ended with status {status}",
    "signal": "its process was killed by a signal",
    "core-dump": "its process crashed",
    "timeout": "it did not start or stop in time",
    "watchdog": "it stopped answering its watchdog",
    "oom-kill": "the kernel killed it because memory was short",
    "start-limit-hit": "it was started too often in a short time",
    "resources": "systemd could not get what it needs to start it",
    "protocol": "it did not report to systemd that it had started",
}
"""Result in systemd.service(5), $SERVICE_RESULT in systemd.exec(5)."""

STILL_GOOD = frozenset({"active", "reloading", "refreshing", "activating", "deactivating", "maintenance"})
"""ActiveState of a unit that is active or changing state. One that is being stopped is reported once it has stopped."""


def _unit(value: str) -> str:
    if not systemctl.UNIT.fullmatch(value):
        raise ValueError(f"{clip(value)!r} is not a unit; write its full name, such as tide-log.service")
    return value


class UnitsSettings(ProbeSettings):
    """Units of systemd: which have failed, and whether the required ones are active."""

    kind: Literal["units"] = "units"
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(10.0, description="time after which systemd is reported as not answering")
    active: tuple[Annotated[str, AfterValidator(_unit)], ...] = Field(
        (), max_length=200, description="units that must be active, such as tide-log.service or nightly-backup.timer"
    )
    failed: bool = Field(True, description="report any other unit that fails, too")
    exclude: tuple[str, ...] = Field((), description="units whose failure does not matter; globs")


class _UnitsState(StateModel):
    """failed: units that have failed at least once, newest last."""

    failed: tuple[str, ...] = ()


class UnitsProbe(BaseProbe):
    """Monitors the units of the system's service manager."""

    def __init__(self, settings: UnitsSettings, bench: ProbeContext) -> None:
        self._settings, self._bench = settings, bench
        self._state = ProbeState(bench.probe_states, settings.label, _UnitsState())

    async def observe(self) -> Sequence[Observation]:
        """Query which units have failed, and the state of those that must be active or that failed before."""
        settings, now_failed = self._settings, list[str]()
        before = (await self._state.read()).failed
        if settings.failed:
            listed = await systemctl.list_units(self._bench, FAILED, settings.timeout)
            now_failed = [unit for unit in listed if not self._left_out(unit)]
        kept = [unit for unit in before if not self._left_out(unit)]
        asked = list(dict.fromkeys((*settings.active, *kept, *now_failed)))
        known = await systemctl.show(self._bench, asked, settings.timeout)
        transient = [unit for unit in now_failed if known[unit].get("Transient") == "yes"]
        lasting = [unit for unit in (*kept, *now_failed) if unit not in transient and unit not in settings.active]
        await self._remember(lasting)
        seen: list[Observation] = [_named(unit, known[unit]) for unit in settings.active]
        seen += [_other(unit, known[unit]) for unit in dict.fromkeys(lasting)]
        return [*seen, _transient({unit: known[unit] for unit in transient})] if settings.failed else seen

    def _left_out(self, unit: str) -> bool:
        return any(fnmatchcase(unit, each) for each in self._settings.exclude)

    async def _remember(self, lasting: Sequence[str]) -> None:
        newest_last = list(dict.fromkeys(reversed(lasting)))[::-1]
        await self._state.write(_UnitsState(failed=tuple(newest_last[-REMEMBERED_LIMIT:])))


def _named(unit: str, known: Mapping[str, str]) -> Condition:
    """The condition of a unit that must be active."""
    load, state = known.get("LoadState", ""), known.get("ActiveState", "")
    reason = why_failed(known)
    if not reason and load in ("not-found", "masked", "bad-setting", "error"):
        reason = "not installed" if load == "not-found" else f"systemd cannot use it: {load}"
    elif not reason and state not in STILL_GOOD and not _waits(known):
        reason = f"not active: {clip(state)} ({clip(known.get('SubState', ''))})"
    return _condition(unit, known, reason, grave=bool(reason))


def _waits(known: Mapping[str, str]) -> bool:
    """Whether its start is pending, as happens just after a boot."""
    return known.get("ActiveState") == "inactive" and known.get("Job", "0") not in {"", "0"}


def _other(unit: str, known: Mapping[str, str]) -> Condition:
    """The condition of a unit that failed now or before."""
    return _condition(unit, known, why_failed(known))


def _transient(failed: Mapping[str, Mapping[str, str]]) -> Condition:
    """One series for all units created for a single run (systemd-run, sessions): their names never occur again."""
    names = [printable(unit) for unit in failed]
    reason = clip(f"{len(names)} failed: {', '.join(names)}", 200) if names else ""
    facts = tuple((printable(unit), why_failed(known)) for unit, known in list(failed.items())[:10])
    return Condition(SeriesKey("transient units", "state"), not reason, reason, facts=facts)


def why_failed(known: Mapping[str, str]) -> str:
    """Why a unit counts as failed; empty if it does not."""
    result, sub = known.get("Result", ""), known.get("SubState", "")
    failed, again = known.get("ActiveState") == "failed", sub == "auto-restart" and result != "success"
    if not failed and not again:
        return ""
    why = RESULTS.get(result, clip(result) or "unknown").format(status=known.get("ExecMainStatus", "unknown"))
    if failed:
        return f"failed: {why}"
    return f"keeps restarting, {known.get('NRestarts', 'some')} times so far: {why}"


def _condition(unit: str, known: Mapping[str, str], reason: str, *, grave: bool = False) -> Condition:
    facts: Facts = tuple(
        (words, clip(known[name]))
        for name, words in (("ActiveState", "active state"), ("SubState", "sub-state"), ("NRestarts", "restarts"))
        if known.get(name)
    )
    return Condition(SeriesKey(f"unit {printable(unit)}", "state"), not reason, reason, grave, facts)
