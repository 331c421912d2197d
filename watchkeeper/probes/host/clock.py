"""Time synchronisation: how far the clock may be wrong, according to the kernel.

Read with adjtimex(2), changing nothing, so it needs no tool and works with any time synchronisation program. That
program sets the maximum error at each update; between updates the kernel lets it grow by 500 ppm. The call needs no
privilege, but a service that may not set clocks may not make it: then the privileged helper makes it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field, TypeAdapter

from watchkeeper.config.types import Duration
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Condition, Facts, Observation, SeriesKey
from watchkeeper.model.units import format_duration
from watchkeeper.privileged import timex
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, text_of

LARGEST_ERROR_US = 16_000_000
"""NTP_PHASE_LIMIT of the kernel (include/linux/timex.h): the maximum error stops growing there, and has this value
while nothing has set the clock yet. systemd also calls a clock synchronised while it is below (from memory)."""

STATUS_NANOSECONDS = 0x2000
"""STA_NANO: `offset` is in ns."""


@dataclass(frozen=True, slots=True)
class ClockState:
    """What the kernel reports about its clock, in seconds. largest_error_s: None if not set for hours or ever."""

    largest_error_s: float | None
    estimated_error_s: float
    offset_s: float


_REPORTED = TypeAdapter(dict[str, int])


class ClockSettings(RootsideSettings):
    """The host's clock: whether it is synchronised."""

    kind: Literal["clock"] = "clock"
    every: Duration = Field(300.0, description="time between runs")
    error_limit: Duration = Field(
        4.0, description="a larger possible error is faulty; without synchronisation it grows by 1.8 s an hour"
    )
    boot_grace: Duration = Field(
        900.0, description="time after a boot during which the clock may still be unsynchronised"
    )


def read_clock() -> ClockState:
    """Read the clock's state from the kernel. Raises PrivilegeMissing if the call is not allowed here."""
    try:
        return understood(timex.read())
    except OSError as error:
        raise PrivilegeMissing(f"adjtimex is not allowed here: {error.strerror}") from error


def understood(reported: Mapping[str, int]) -> ClockState:
    """Convert the kernel's figures."""
    offset_unit_s = 1e-9 if reported["status"] & STATUS_NANOSECONDS else 1e-6
    known = reported["maxerror"] < LARGEST_ERROR_US
    return ClockState(
        reported["maxerror"] / 1e6 if known else None, reported["esterror"] / 1e6, reported["offset"] * offset_unit_s
    )


async def read_as_root(bench: ProbeContext, helper: Path, timeout_s: float, why: PrivilegeMissing) -> ClockState:
    """Read the clock's state through the helper. why: the reason why this user may not read it.

    Raises PrivilegeMissing, ProbeTimeout and ProbeError.
    """
    try:
        (result,) = await ask_root(bench, "clock", helper, timeout_s)
        return understood(_REPORTED.validate_json(text_of(result.ran, "reading the clock as root", timeout_s)))
    except PrivilegeMissing as error:
        raise PrivilegeMissing(f"{why}; {error}") from error
    except (ValueError, KeyError):
        raise ProbeError("the helper's answer about the clock is not valid; install the same version of both") from None


class ClockProbe(BaseProbe):
    """Monitors how well the clock is synchronised."""

    def __init__(
        self,
        settings: ClockSettings,
        bench: ProbeContext,
        read: Callable[[], ClockState] = read_clock,
        uptime: Path = Path("/proc/uptime"),
    ) -> None:
        self._settings, self._bench, self._read, self._uptime = settings, bench, read, uptime

    async def observe(self) -> Sequence[Observation]:
        """Read the clock once. Raises PrivilegeMissing if neither this user nor the privileged helper may."""
        try:
            state = self._read()
        except PrivilegeMissing as error:
            state = await read_as_root(self._bench, self._settings.helper, self._settings.timeout, error)
        reason = self._why_not(state)
        return [Condition(SeriesKey("clock", "synchronised"), not reason, reason, facts=_facts(state))]

    def _why_not(self, state: ClockState) -> str:
        limit_s = self._settings.error_limit
        if state.largest_error_s is None:
            started_s = float(self._uptime.read_text(encoding="ascii").split()[0])
            return "" if started_s < self._settings.boot_grace else "no time service has updated it for hours, or ever"
        if state.largest_error_s > limit_s:
            return f"it may be off by {state.largest_error_s:.1f} s, limit {format_duration(limit_s)}; no recent update"
        return ""


def _facts(state: ClockState) -> Facts:
    if state.largest_error_s is None:
        return (("largest error", "unknown: not set since the start, or not for many hours"),)
    return (
        ("largest error", f"{state.largest_error_s * 1000:.0f} ms"),
        ("estimated error", f"{state.estimated_error_s * 1000:.3g} ms"),
        ("being corrected by", f"{state.offset_s * 1000:.3g} ms"),
    )
