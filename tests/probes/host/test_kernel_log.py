"""The kernel's log, read through journalctl: what is new, what is forgotten, and what cannot be seen."""

import json
import os
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, Toolbox
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.kernel_log import NO_JOURNAL, NO_KERNEL, KernelLogProbe, KernelLogSettings
from watchkeeper.probes.support.block_devices import BlockDevices

BEGIN = datetime(2026, 11, 30, 12, tzinfo=UTC)
FAULT = "I/O error, dev sda, sector {} op 0x0:(READ) flags 0x80700 phys_seg 1 prio class 2"


class Host:
    """A journal that grows, and a probe that reads it."""

    def __init__(self, folder: Path, bench: ProbeContext, toolbox: Toolbox) -> None:
        self.folder, self.toolbox = folder, toolbox
        self.clock = FixedClock(BEGIN)
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        self.sysfs, self.number = folder / "sys", 0
        toolbox.put(
            "journalctl", f'echo "$*" >> {folder}/asked\ncat {folder}/journal 2>/dev/null; : > {folder}/journal'
        )
        self.say("Linux version 6.1.0-42-amd64")

    def say(self, *messages: object) -> None:
        """Set what the next look finds: entries with these messages."""
        lines = []
        for message in messages:
            self.number += 1
            micros = int(self.clock.at.timestamp() * 1e6)
            entry = {"__CURSOR": f"s=1;i={self.number}", "__REALTIME_TIMESTAMP": str(micros), "MESSAGE": message}
            lines.append(json.dumps(entry))
        (self.folder / "journal").write_text("\n".join(lines) + "\n")

    @property
    def asked(self) -> list[str]:
        """The arguments of every call."""
        return (self.folder / "asked").read_text().splitlines()

    async def look(self) -> Sequence[Observed]:
        """One look of a new probe, as after a restart of the daemon."""
        return await KernelLogProbe(KernelLogSettings(), self.bench, BlockDevices(self.sysfs)).observe()

    async def faults(self) -> dict[str, Condition]:
        """The conditions of devices."""
        found = {each.key.subject: each for each in await self.look() if isinstance(each, Condition)}
        assert found.pop("kernel log").ok
        return found


@pytest.fixture
def host(tmp_path: Path, bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> Host:
    """A host whose journal may be read."""
    return Host(tmp_path, bench, Toolbox(tmp_path, monkeypatch))


async def test_a_disk_that_fails_reads(host: Host) -> None:
    """Many messages are one condition, with their number; it ends after a day without another."""
    assert await host.faults() == {}
    host.say(*(FAULT.format(n) for n in range(500)), "usb 1-4: USB disconnect, device number 7")
    (disk,) = (await host.faults()).values()
    assert str(disk.key) == "disk sda: kernel messages"
    assert disk.reason == "the kernel reports I/O errors (500) within 1m"
    assert dict(disk.facts)["at"] == "2026-11-30 12:00 UTC"
    host.clock.at += timedelta(hours=23)
    host.say("Linux version")
    assert not (await host.faults())["disk sda"].ok
    host.clock.at += timedelta(hours=2)
    host.say("Linux version")
    assert (await host.faults())["disk sda"].ok
    host.clock.at += timedelta(days=30)
    host.say("Linux version")
    assert await host.faults() == {}


async def test_only_what_is_new_is_read(host: Host) -> None:
    """From the last cursor on, also after a restart of the daemon."""
    await host.look()
    host.say(FAULT.format(1))
    await host.look()
    host.say(FAULT.format(2))
    (disk,) = (await host.faults()).values()
    assert disk.reason == "the kernel reports I/O errors (2) within 1m"
    assert "--since=-1h" in host.asked[0]
    assert "--after-cursor=s=1;i=1" in host.asked[1]
    assert "--after-cursor=s=1;i=2" in host.asked[2]


async def test_what_is_on_the_disk(host: Host) -> None:
    """A port is told as its disk, with the file systems on it."""
    device = host.sysfs / "devices/pci0000:00/ata3/host2/block/sda"
    (device / "sda1").mkdir(parents=True)
    (device / "sda1/partition").write_text("1\n")
    for folder, name, target in (
        ("block", "sda", device), ("class/block", "sda", device), ("class/block", "sda1", device / "sda1"),
        ("dev/block", root_number(), device / "sda1"),
    ):  # fmt: skip
        (host.sysfs / folder).mkdir(parents=True, exist_ok=True)
        (host.sysfs / folder / name).symlink_to(target)
    host.say("ata3.00: exception Emask 0x10 SAct 0x4 SErr 0x280100 action 0x6 frozen")
    facts = dict((await host.faults())["disk ata3"].facts)
    assert facts["disk"] == "sda"
    assert "/" in facts["file systems on it"].split(", ")


def root_number() -> str:
    """The `major:minor` of what is mounted at the root."""
    for line in Path("/proc/self/mountinfo").read_text().splitlines():
        if line.split()[4] == "/":
            return line.split()[2]
    raise AssertionError("nothing is mounted at /")


async def test_a_journal_that_shows_nothing(host: Host) -> None:
    """Without the right to it journalctl prints nothing: that is no proof that there was no fault."""
    host.say()
    assert await host.look() == [Unseen("messages of the kernel", NO_KERNEL if os.geteuid() == 0 else NO_JOURNAL)]


async def test_a_host_without_a_journal(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """No journalctl, or one that refuses: cannot tell."""
    host.toolbox.says("journalctl", "", status=1, stderr="Failed to open journal: Permission denied")
    (seen,) = await host.look()
    assert isinstance(seen, Unseen)
    os.unlink(host.toolbox.folder / "journalctl")  # noqa: PTH108  beside the others
    monkeypatch.setattr("watchkeeper.probes.support.tools.PATH", str(host.toolbox.folder))
    (seen,) = await host.look()
    assert isinstance(seen, Unseen)
    assert "journalctl is not installed" in seen.why


async def test_a_journal_that_fails(host: Host) -> None:
    """Any other error is an error of the probe."""
    host.toolbox.says("journalctl", "", status=1, stderr="Failed to iterate: Bad message")
    with pytest.raises(ProbeError, match="Bad message"):
        await host.look()


async def test_entries_of_anything(host: Host) -> None:
    """Bytes that are no text, several values, no message, foreign lines: what can be read is read."""
    host.say(list(FAULT.format(1).encode()), [FAULT.format(2), "second"], None, 7, {"a": 1}, FAULT.format(3))
    path = host.folder / "journal"
    path.write_text("-- Reboot --\n{broken\n" + path.read_text() + '{"__CURSOR": "x"}\n{"MESSAGE": "y"}\n\x00\n')
    (disk,) = (await host.faults()).values()
    assert disk.reason == "the kernel reports I/O errors (3) within 1m"


async def test_a_clock_that_is_ahead_in_the_journal(host: Host) -> None:
    """A fault is never later than now."""
    host.clock.at += timedelta(days=400)
    host.say(FAULT.format(1))
    host.clock.at = BEGIN
    (disk,) = (await host.faults()).values()
    assert dict(disk.facts)["at"] == "2026-11-30 12:00 UTC"
