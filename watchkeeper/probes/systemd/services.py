"""How services ran between two looks: how often systemd restarted each, and whether a one-shot has not ended.

A service that crashes and is restarted within seconds is active at every look: only the count of restarts, NRestarts in
systemd.service(5), shows it. A one-shot that hangs stays in the state `activating` without end, for systemd sets no
time limit for one by default (TimeoutStartSec=). Not here: which units have failed (units.py).
"""

from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ToolMissing
from watchkeeper.model.observation import Condition, Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import format_age, format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support import systemctl
from watchkeeper.probes.support.boot import boot_of, up_s
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel

USUAL_FACTOR = 3.0
"""A one-shot that takes so many times its longest known run hangs."""

SHORTEST_S = 600.0
"""And not before: a run of a second that takes four is no fault."""

RUNS_KEPT = 10

SERVICES_LIMIT = 500

REMEMBERED_LIMIT = 200
"""So many that were faulty once and are not loaded are still reported; beyond that, the oldest are dropped."""

NOT_LOADED = {"ActiveState": "not loaded"}


class ServicesSettings(ProbeSettings):
    """Services of systemd that restart repeatedly, or never finish starting."""

    kind: Literal["services"] = "services"
    every: Duration = Field(300.0, description="time between runs")
    timeout: Duration = Field(20.0, description="time after which systemd is reported as not answering")
    restarts_limit: int = Field(
        3, ge=1, le=1000, description="number of restarts within `window` from which a service is faulty"
    )
    window: Duration = Field(3600.0, description="time over which restarts are counted")
    longest_start: Duration = Field(
        21_600.0, description="time after which a one-shot service that has never completed is reported as hanging"
    )
    exclude: tuple[str, ...] = Field((), description="services that are not monitored; globs")


class KnownService(BaseModel):
    """count: NRestarts at the last look; None if there was none. runs_s: the lengths of its last runs.

    restarts: (seconds since 1970, restarts since the look before), oldest first. ended: the microseconds since the boot
    at which the last run ended. faulty: whether it was reported once.
    """

    model_config = ConfigDict(frozen=True)

    count: int | None = None
    restarts: tuple[tuple[float, int], ...] = ()
    runs_s: tuple[float, ...] = ()
    ended: int = 0
    faulty: bool = False


class ServicesKnown(StateModel):
    """boot: the boot in which the counts were read. services: by unit name."""

    boot: str = ""
    services: Mapping[str, KnownService] = Field(default_factory=dict)


class ServicesProbe(BaseProbe):
    """Monitors all services of the system's service manager."""

    def __init__(self, settings: ServicesSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /proc, for tests."""
        self._settings, self._bench, self._proc = settings, bench, root / "proc"
        self._state = ProbeState(bench.probe_states, settings.label, ServicesKnown())

    async def observe(self) -> Sequence[Observed]:
        """Read the properties of all services. Raises ProbeError if systemd does not answer."""
        try:
            shown = await systemctl.show_matching(self._bench, "*.service", PROPERTIES, self._settings.timeout)
        except ToolMissing as error:
            return [Unseen("services of systemd", str(error))]
        boot, state = boot_of(self._proc), await self._state.read()
        there = {each["Id"]: each for each in shown if self._concerns(each)}
        before = state.services if state.boot == boot else _without_counts(state.services)
        host_up_s = up_s(self._proc)
        # Every count begins at 0 with the boot, and only counts above 0 are kept.
        new = KnownService(count=0 if state.boot else None)
        known, seen = dict[str, KnownService](), list[Observed]()
        for unit, properties in list(there.items())[:SERVICES_LIMIT]:
            one = self._counted(before.get(unit, new), properties)
            reason = self._reason(one, properties, host_up_s)
            known[unit] = one.model_copy(update={"faulty": one.faulty or bool(reason)})
            if known[unit].faulty:
                seen.append(_condition(unit, reason, properties))
        for unit, one in self._unloaded(before, there):
            known[unit] = one
            seen.append(_condition(unit, "", NOT_LOADED))
        await self._state.write(
            ServicesKnown(boot=boot, services={u: each for u, each in known.items() if _worth(each)})
        )
        return [Condition(LISTED, ok=True, facts=(("services", str(len(there))),)), *seen]

    def _unloaded(
        self, before: Mapping[str, KnownService], there: Mapping[str, object]
    ) -> list[tuple[str, KnownService]]:
        """Services that were faulty once and that systemd has unloaded since, for they do not run: they go on as OK."""
        gone = [
            (unit, each.model_copy(update={"count": 0, "restarts": ()}))
            for unit, each in before.items()
            if each.faulty and unit not in there and self._concerns({"Id": unit})
        ]
        return gone[-REMEMBERED_LIMIT:]

    def _concerns(self, properties: Mapping[str, str]) -> bool:
        unit = properties.get("Id", "")
        left_out = any(fnmatchcase(unit, each) for each in self._settings.exclude)
        return bool(systemctl.UNIT.fullmatch(unit)) and properties.get("Transient") != "yes" and not left_out

    def _counted(self, before: KnownService, properties: Mapping[str, str]) -> KnownService:
        """What is known of a service with this look."""
        now_s = self._bench.clock.now().timestamp()
        count = _whole(properties, "NRestarts")
        restarts = [each for each in before.restarts if now_s - self._settings.window < each[0] <= now_s]
        if before.count is not None:
            # A manual start and `reset-failed` begin the count at 0.
            rise = count - before.count if count >= before.count else count
            restarts += [(now_s, rise)] if rise else []
        before = before.model_copy(update={"count": count, "restarts": tuple(restarts)})
        started, ended = (_whole(properties, f"ExecMain{name}TimestampMonotonic") for name in ("Start", "Exit"))
        if properties.get("Type") != "oneshot" or ended <= started or ended == before.ended:
            return before
        runs = (*before.runs_s, (ended - started) / 1e6)[-RUNS_KEPT:]
        return before.model_copy(update={"runs_s": runs, "ended": ended})

    def _reason(self, known: KnownService, properties: Mapping[str, str], host_up_s: float) -> str:
        often = sum(count for _, count in known.restarts)
        if often >= self._settings.restarts_limit:
            window = format_duration(self._settings.window)
            return f"systemd restarted it {often} times within {window}, for it ended each time"
        if properties.get("ActiveState") != "activating" or properties.get("Type") != "oneshot":
            return ""
        began = _whole(properties, "InactiveExitTimestampMonotonic")
        took_s = host_up_s - began / 1e6 if began else 0.0
        usual_s = max(known.runs_s, default=0.0)
        limit_s = max(USUAL_FACTOR * usual_s, SHORTEST_S) if usual_s else self._settings.longest_start
        if took_s < limit_s:
            return ""
        usual = f", its longest run so far took {format_age(usual_s)}" if usual_s else ""
        return f"it has been starting for {format_age(took_s)} and has not ended{usual}"


LISTED = SeriesKey("services of systemd", "listed")
"""The proof that the services were listed: OK even if none is faulty."""

PROPERTIES = (
    "Id", "Type", "ActiveState", "SubState", "NRestarts", "Result", "Transient", "InactiveExitTimestampMonotonic",
    "ExecMainStartTimestampMonotonic", "ExecMainExitTimestampMonotonic",
)  # fmt: skip


def _without_counts(services: Mapping[str, KnownService]) -> Mapping[str, KnownService]:
    """What still holds after the host was restarted: counts and monotonic times begin again."""
    return {unit: each.model_copy(update={"count": 0, "ended": 0}) for unit, each in services.items()}


def _worth(known: KnownService) -> bool:
    """Whether something has to be kept: most services never restart and are no one-shots."""
    return known.faulty or bool(known.runs_s) or bool(known.count or known.restarts)


def _condition(unit: str, reason: str, properties: Mapping[str, str]) -> Condition:
    names = (
        ("ActiveState", "active state"),
        ("NRestarts", "restarts since the last manual start"),
        ("Result", "result"),
    )
    facts: Facts = tuple((words, clip(properties[name])) for name, words in names if properties.get(name))
    return Condition(SeriesKey(f"unit {printable(unit)}", "runs"), not reason, reason, facts=facts)


def _whole(properties: Mapping[str, str], name: str) -> int:
    """A number; 0 if it is missing or none. systemd prints 2^64-1 for a time that never was."""
    text = properties.get(name, "")
    number = int(text) if text.isdecimal() and text.isascii() and len(text) <= 20 else 0
    return number if number < 2**63 else 0
