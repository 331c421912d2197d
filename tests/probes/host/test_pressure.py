"""Pressure on disks and processors: the kernel's own average as a reference, and time that passes by hand."""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.pressure import PressureProbe, PressureSettings


class Host:
    """A host whose tasks wait for a given share of the time."""

    def __init__(self, root: Path, bench: ProbeContext) -> None:
        self.root, self.totals_us = root, {"io": 0.0, "cpu": 0.0}
        self.clock = FixedClock(datetime(2026, 11, 30, 12, tzinfo=UTC))
        (root / "proc/pressure").mkdir(parents=True)
        self.probe = PressureProbe(PressureSettings(), replace(bench, clock=self.clock), root)

    async def live(self, minutes: int, io: float = 0.0, cpu: float = 0.0) -> Sequence[Observed]:
        """Let minutes pass, each with a look; the last one is returned."""
        seen: Sequence[Observed] = ()
        for _ in range(minutes):
            self.clock.at += timedelta(minutes=1)
            self.totals_us["io"] += io * 60e6
            self.totals_us["cpu"] += cpu * 60e6
            self.write()
            seen = await self.probe.observe()
        return seen

    def write(self) -> None:
        """Write the kernel's files."""
        for name, total in self.totals_us.items():
            averages = "avg10=0.00 avg60=0.00 avg300=0.00"
            text = f"some {averages} total={total:.0f}\nfull {averages} total={total:.0f}\n"
            (self.root / "proc/pressure" / name).write_text(text)


@pytest.fixture
def host(tmp_path: Path, bench: ProbeContext) -> Host:
    """A host that is idle."""
    return Host(tmp_path, bench)


def faults(seen: Sequence[Observed]) -> list[str]:
    """The reasons of the conditions that are not OK."""
    return [each.reason for each in seen if isinstance(each, Condition) and not each.ok]


async def test_pressure_that_lasts(host: Host) -> None:
    """Half an hour of it is a fault; when it is over, the share falls below the limit within minutes."""
    assert faults(await host.live(40)) == []
    assert faults(await host.live(20, io=1.0, cpu=1.0)) == []
    assert faults(await host.live(10, io=1.0, cpu=1.0)) == [
        "every task waited for disks 100% of the last 30m, limit 80%",
        "some task waited for a processor 100% of the last 30m, limit 90%",
    ]
    assert faults(await host.live(8)) == []


async def test_a_backup_of_twenty_minutes_is_no_fault(host: Host) -> None:
    """Also not on a host that has just started to be monitored."""
    assert faults(await host.live(20, io=1.0)) == []
    assert faults(await host.live(60)) == []
    assert faults(await host.live(20, io=1.0)) == []


async def test_totals_that_go_back(host: Host) -> None:
    """They begin again: no share is taken across that."""
    await host.live(40, io=0.5)
    host.totals_us["io"] = 0.0
    seen = await host.live(1)
    assert isinstance(seen[0], Condition)
    assert seen[0].facts == (("share of the last 1m", "0%"),)


async def test_a_kernel_without_it(host: Host) -> None:
    """Then nothing can be told."""
    (seen, other) = await host.probe.observe()
    assert isinstance(seen, Unseen)
    assert isinstance(other, Unseen)


@pytest.mark.parametrize("text", ["", "full\n", "full avg10=1.0 total=x\n", "full total=-5\n", "\x00\xff"])
async def test_files_of_anything(host: Host, text: str) -> None:
    """What holds no total is as if it were not there."""
    host.write()
    (host.root / "proc/pressure/io").write_text(text, "latin-1")
    assert isinstance((await host.probe.observe())[0], Unseen)


async def test_a_file_that_cannot_be_read(host: Host) -> None:
    """It is told as that."""
    (host.root / "proc/pressure/io").mkdir()
    with pytest.raises(ProbeError, match="io cannot be read: Is a directory"):
        await host.probe.observe()


def test_the_kernels_own_file() -> None:
    """The file of the running kernel has both lines with a total, if it has the file at all."""
    path = Path("/proc/pressure/io")
    if path.exists():
        assert re.fullmatch(r"(some|full) .*total=\d+", path.read_text().splitlines()[-1])
