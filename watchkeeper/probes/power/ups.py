"""An uninterruptible power supply: whether the house has power, how long the battery lasts, and whether it still does.

It asks a server of RFC 9271 (ups_protocol.py), and sends nothing that changes anything. The words of `ups.status` are
those of the RFC's section 5: OL on line, OB on battery, LB low battery, RB replace the battery, OVER overload, BYPASS
and OFF no protection, FSD forced shutdown. Not here: shutting down this host, which is that server's work.
"""

import asyncio
import math
from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Facts, Level, Observation, SeriesKey, Unit
from watchkeeper.model.units import format_age, format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.power.ups_protocol import NAME, PORT, session
from watchkeeper.probes.support import resolve
from watchkeeper.probes.support.sanitize import clip

FULL_PERCENT = 99.0
"""From here on the battery counts as charged: some devices never report 100."""

LONGEST_S = 7 * 86_400.0
"""A longer run time is no measurement."""

FACTS = (
    ("model", "device.model"),
    ("load", "ups.load"),
    ("charge", "battery.charge"),
    ("last test", "ups.test.result"),
)
"""What is shown beside the observations, and the variable that it is read from."""


def _name(value: str) -> str:
    if not NAME.fullmatch(value):
        raise ValueError(f"{clip(value)!r} cannot name a UPS; write letters, digits, dots, hyphens, underscores")
    return value


class UpsSettings(ProbeSettings):
    """An uninterruptible power supply."""

    kind: Literal["ups"] = "ups"
    name: str = Field(min_length=1, max_length=100, description="name of the UPS in messages, such as shed")
    every: Duration = Field(15.0, description="time between runs; a power failure is reported after the next run")
    timeout: Duration = Field(5.0, description="maximum time for connection and answers")
    host: Annotated[str, AfterValidator(resolve.plain_host)] = Field(
        "127.0.0.1", description="name or address of the host that the UPS is connected to"
    )
    port: int = Field(PORT, ge=1, le=65535, description="port of its server (RFC 9271)")
    ups: Annotated[str, AfterValidator(_name)] | None = Field(
        None, description="name of the UPS at that server; default: the only one that it has"
    )
    must_last: Duration = Field(600.0, description="run time that is needed, with the battery charged and today's load")


def _number(said: Mapping[str, str], variable: str, highest: float) -> float | None:
    """A variable as a number from 0 to highest; None if it is missing or nothing like it."""
    try:
        value = float(said[variable])
    except (KeyError, ValueError):
        return None
    return value if math.isfinite(value) and 0 <= value <= highest else None


class UpsProbe(BaseProbe):
    """Monitors one UPS."""

    def __init__(self, settings: UpsSettings, context: ProbeContext) -> None:
        self._settings, self._workers = settings, context.workers
        self._where = f"{settings.host} port {settings.port}"
        self._subject = f"UPS {settings.name}"

    async def observe(self) -> Sequence[Observation]:
        """Ask once. Raises ProbeError if the server does not answer, or has no fresh data: not known is not OK."""
        said = await self._asked()
        status = said.get("ups.status", "").split()
        if not {"OL", "OB", "BYPASS", "OFF"} & set(status):
            raise ProbeError(f'the UPS states no known status: "{clip(said.get("ups.status", ""), 60)}"')
        facts: Facts = (
            ("status", " ".join(status)),
            *((name, said[variable]) for name, variable in FACTS if variable in said),
        )
        runtime_s = _number(said, "battery.runtime", LONGEST_S)
        if runtime_s is not None:
            facts = (*facts, ("run time", format_age(runtime_s)))
        conditions = {
            "mains power": (self._power(status, runtime_s), True),
            "output": (_output(status), True),
            "overload": ("its load is above what it can supply" if "OVER" in status else "", False),
            "battery health": (_health(status, said), False),
        }
        seen: list[Observation] = [
            Condition(SeriesKey(self._subject, quantity), not why, why, grave=grave and bool(why), facts=facts)
            for quantity, (why, grave) in conditions.items()
        ]
        return [*seen, *self._levels(status, said, runtime_s, facts)]

    async def _asked(self) -> Mapping[str, str]:
        settings = self._settings
        timer = asyncio.timeout(settings.timeout)
        try:
            async with timer:
                found = await resolve.look_up(self._workers, settings.host, settings.port, settings.timeout)
                async with session(found, self._where, settings.timeout) as server:
                    return await server.variables(settings.ups or self._only(await server.names()))
        except OSError as error:  # TimeoutError is one
            late = f"no answer within {format_duration(settings.timeout)}"
            why = late if timer.expired() else resolve.why(error, settings.host)
            raise ProbeError(f"the UPS server at {self._where} cannot be asked: {why}") from error

    def _only(self, names: Mapping[str, str]) -> str:
        if len(names) != 1:
            known = ", ".join(sorted(names)) or "none"
            raise ProbeError(f'which UPS is not clear: the server has {clip(known)}; name it with "ups"')
        return next(iter(names))

    def _power(self, status: Sequence[str], runtime_s: float | None) -> str:
        """Why the power is not OK; empty if it is."""
        if "FSD" in status:
            return "its server has ordered the shutdown of the hosts that it feeds"
        if "OB" not in status:
            return ""
        left = "" if runtime_s is None else f"; by its own estimate it lasts {format_age(runtime_s)}"
        return f"the battery is nearly empty{left}" if "LB" in status else f"no mains power{left}"

    def _levels(
        self, status: Sequence[str], said: Mapping[str, str], runtime_s: float | None, facts: Facts
    ) -> list[Level]:
        """The charge that is used, recorded only; and the needed run time as a share of what a full battery gives."""
        charge = _number(said, "battery.charge", 100.0)
        if charge is None:
            return []
        key = SeriesKey(self._subject, "discharge")
        levels = [Level(key, (100 - charge) / 100, 1.0, Unit.SHARE, facts, not_judged=True)]
        if "OL" in status and charge >= FULL_PERCENT and runtime_s:
            needed = self._settings.must_last / runtime_s
            levels.append(Level(SeriesKey(self._subject, "endurance"), needed, 1.0, Unit.SHARE, facts))
        return levels


def _output(status: Sequence[str]) -> str:
    if "OFF" in status:
        return "its output is off"
    return "it is bypassed: a power failure reaches what it feeds" if "BYPASS" in status else ""


def _health(status: Sequence[str], said: Mapping[str, str]) -> str:
    """What the device says against its battery or itself."""
    found = []
    if "RB" in status:
        found.append("it asks for a new battery")
    if "fail" in said.get("ups.test.result", "").lower():
        found.append(f'its last test: "{said["ups.test.result"]}"')
    if "ALARM" in status:
        found.append(f'it reports "{said.get("ups.alarm", "an alarm without words")}"')
    return "; ".join(found)
