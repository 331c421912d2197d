"""Pressure on disks and processors: the share of time in which tasks waited for them, over half an hour.

Documentation/accounting/psi.rst. A backup or an upgrade makes tasks wait for minutes; only what lasts is a fault. Not
here: pressure on memory, which is judged from sample to sample (memory.py).
"""

from collections import deque
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Observed, SeriesKey, Unseen
from watchkeeper.model.units import format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.host.memory import ABSENT, stalled_us

DISKS, PROCESSORS = "pressure on disks", "pressure on processors"

SAMPLES_LIMIT = 2000
"""So many samples of the window are kept at most."""


class PressureSettings(ProbeSettings):
    """How long tasks wait for disks and processors, as a share of the time within `window`."""

    kind: Literal["pressure"] = "pressure"
    every: Duration = Field(60.0, description="time between runs")
    window: Duration = Field(1800.0, description="time over which the share is calculated")
    io_limit: float = Field(
        0.8, gt=0, le=1, description="share of time (0 to 1) during which every task waits for disks; more is faulty"
    )
    cpu_limit: float = Field(
        0.9,
        gt=0,
        le=1,
        description="share of time (0 to 1) during which some task waits for a processor; more is faulty",
    )


class PressureProbe(BaseProbe):
    """Monitors the pressure on the whole machine."""

    def __init__(self, settings: PressureSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /proc, for tests."""
        self._settings, self._clock, self._proc = settings, bench.clock, root / "proc/pressure"
        self._seen: dict[str, deque[tuple[float, Mapping[str, int]]]] = {}

    async def observe(self) -> Sequence[Observed]:
        """Read the totals, and compare them with those at the beginning of the window."""
        settings = self._settings
        return [
            self._resource("io", "full", settings.io_limit, DISKS, "every task waited for disks"),
            self._resource("cpu", "some", settings.cpu_limit, PROCESSORS, "some task waited for a processor"),
        ]

    def _resource(self, name: str, kind: str, limit: float, quantity: str, words: str) -> Observed:
        totals = self._read(name)
        if kind not in totals:
            return Unseen(f"host: {quantity}", "this kernel does not measure it; it needs the boot parameter psi=1")
        share, covered_s = self._share(name, kind, totals)
        facts = ((f"share of the last {format_duration(max(covered_s // 60 * 60, 60))}", f"{share:.0%}"),)
        # A share of a shorter time would be that of an hour's backup or of the start of the host.
        over = share > limit and covered_s >= self._settings.window * 0.9
        reason = f"{words} {share:.0%} of the last {format_duration(self._settings.window)}, limit {limit:.0%}"
        return Condition(SeriesKey("host", quantity), not over, reason if over else "", facts=facts)

    def _share(self, name: str, kind: str, totals: Mapping[str, int]) -> tuple[float, float]:
        """The share of the window in which tasks waited, and how many seconds of it are known."""
        now_s = self._clock.monotonic_s()
        seen = self._seen.setdefault(name, deque(maxlen=SAMPLES_LIMIT))
        if seen and seen[-1][1].get(kind, 0) > totals[kind]:
            seen.clear()
        seen.append((now_s, totals))
        while len(seen) > 2 and now_s - seen[1][0] >= self._settings.window:
            seen.popleft()
        covered_s = now_s - seen[0][0]
        waited_s = (totals[kind] - seen[0][1].get(kind, 0)) / 1e6
        return (min(waited_s / covered_s, 1.0) if covered_s > 0 else 0.0), covered_s

    def _read(self, name: str) -> Mapping[str, int]:
        try:
            return stalled_us((self._proc / name).read_text("ascii", "replace"))
        except OSError as error:
            if error.errno in ABSENT:
                return {}
            raise ProbeError(f"{self._proc / name} cannot be read: {error.strerror}; let this user read it") from error
