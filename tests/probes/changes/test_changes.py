"""What changed on the host, over a folder that stands in for the root, and over this machine."""

import os
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock
from watchkeeper.errors import StoreFull
from watchkeeper.model.change import Change, MemoryChangeLog
from watchkeeper.model.observation import Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.changes import watched_files
from watchkeeper.probes.changes.changes import PACKAGES, ChangesProbe, ChangesSettings

NOON = datetime(2026, 11, 27, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


class FullLog(MemoryChangeLog):
    """A log whose database is full at first."""

    full = True

    async def record(self, changes: Sequence[Change]) -> None:
        """Keep these, once there is room."""
        if self.full:
            raise StoreFull("the database is full")
        await super().record(changes)


class Host:
    """A host in a folder, and the probe on it."""

    def __init__(self, root: Path, bench: ProbeContext) -> None:
        self.root, self.clock, self.log = root, FixedClock(NOON), MemoryChangeLog()
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore(), changes=self.log)
        self.write("proc/sys/kernel/random/boot_id", "boot-1")
        self.write("proc/sys/kernel/osrelease", "6.1.0-26-amd64")
        self.write("proc/self/mountinfo", "22 1 8:2 / / rw - ext4 /dev/sda2 rw\n")
        self.write("etc/fstab", "/dev/sda2 / ext4")
        self.write("etc/systemd/system/hide-lamps.service", "[Service]")
        self.write("sys/block/loop0/size", "8")
        self.disk("sda", "Skua 4 TB", "WX-1")
        self.restart()

    def write(self, name: str, text: str, at: datetime | None = None) -> None:
        """Write a file, as at a given time; by default long ago."""
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        when_s = (at or NOON - timedelta(days=30)).timestamp()
        os.utime(path, (when_s, when_s))

    def disk(self, name: str, model: str, serial: str) -> None:
        """Plug in a disk."""
        for file, text in {"size": "7814037168", "device/model": f"{model}  ", "device/serial": serial}.items():
            self.write(f"sys/block/{name}/{file}", f"{text}\n")

    def restart(self) -> None:
        """Begin with another probe."""
        self.probe = ChangesProbe(ChangesSettings(), self.bench, self.root)

    async def news(self, after: timedelta = MINUTE) -> list[str]:
        """What the next look records."""
        self.clock.at += after
        known = len(self.log.changes)
        self.seen = list(await self.probe.observe())
        return [f"{each.what} {each.action} {each.detail}".strip() for each in self.log.changes[known:]]


@pytest.fixture
def host(tmp_path: Path, bench: ProbeContext) -> Host:
    """A host that was looked at never before."""
    return Host(tmp_path, bench)


async def test_a_quiet_host_has_no_changes_and_writes_nothing(host: Host) -> None:
    """Neither the first look, nor one after it, nor one after a restart of the daemon; no observation is made."""
    assert await host.news() == []
    kept = await host.bench.probe_states.read("changes")
    assert await host.news() == []
    assert await host.bench.probe_states.read("changes") == kept
    await host.probe.close()
    host.restart()
    assert await host.news() == []
    assert host.seen == []


async def test_unit_files_with_their_own_time(host: Host) -> None:
    """Changed, added, enabled, masked, disabled and removed; a file's own time counts if it can be right."""
    await host.news()
    host.write(
        "etc/systemd/system/hide-lamps.service", "[Service]\nType=oneshot", NOON + MINUTE + timedelta(seconds=20)
    )
    host.write("etc/systemd/system/hide-lamps.service.d/limits.conf", "[Service]")
    host.write("etc/cron.d/tides", "0 * * * *")
    wants = host.root / "etc/systemd/system/multi-user.target.wants"
    wants.mkdir()
    (wants / "hide-lamps.service").symlink_to("/etc/systemd/system/hide-lamps.service")
    (host.root / "etc/systemd/system/old.timer").symlink_to("/dev/null")
    assert await host.news() == [
        "/etc/systemd/system/hide-lamps.service changed",
        "/etc/cron.d/tides added",
        "/etc/systemd/system/hide-lamps.service.d/limits.conf added",
        "/etc/systemd/system/multi-user.target.wants/hide-lamps.service enabled",
        "/etc/systemd/system/old.timer added (masked)",
    ]
    times = [(each.at - NOON - MINUTE, each.after) for each in host.log.changes[:2]]
    assert times == [(timedelta(seconds=20), None), (MINUTE, NOON + MINUTE)]
    (wants / "hide-lamps.service").unlink()
    (host.root / "etc/systemd/system/hide-lamps.service").unlink()
    (host.root / "etc/cron.d/tides").unlink()
    assert await host.news() == [
        "/etc/cron.d/tides removed",
        "/etc/systemd/system/hide-lamps.service removed",
        "/etc/systemd/system/multi-user.target.wants/hide-lamps.service disabled",
    ]


async def test_a_file_that_is_masked_and_kinds(host: Host) -> None:
    """A unit replaced by a link to /dev/null is masked; the kind says what it is, also for what is gone."""
    await host.news()
    unit = host.root / "etc/systemd/system/hide-lamps.service"
    unit.unlink()
    unit.symlink_to("/dev/null")
    (host.root / "etc/fstab").unlink()
    assert await host.news() == ["/etc/fstab removed", "/etc/systemd/system/hide-lamps.service masked (masked)"]
    assert [each.kind.value for each in host.log.changes] == ["mount", "unit"]


async def test_mounts_disks_kernel_and_modules(host: Host) -> None:
    """What came and went between two looks, also while the daemon was stopped; a disk is known by its serial number."""
    host.write("sys/module/zfs/version", "2.1.11-1")
    await host.news()
    host.write(
        "proc/self/mountinfo", "22 1 8:2 / / rw - ext4 /dev/sda2 rw\n30 22 8:17 / /mnt/jetty rw - ext4 /dev/sdb1 rw\n"
    )
    host.disk("sdb", "Tern 8 TB", "WX-2")
    assert await host.news() == [
        "/mnt/jetty mounted (/dev/sdb1, ext4)",
        "disk Tern 8 TB (serial WX-2, 3.64 TiB) appeared (sdb)",
    ]
    await host.probe.close()
    host.restart()
    host.write("proc/sys/kernel/random/boot_id", "boot-2")
    host.write("proc/sys/kernel/osrelease", "6.1.0-27-amd64")
    host.write("sys/module/zfs/version", "2.1.12-1")
    host.write("proc/self/mountinfo", "22 1 8:2 / / rw - ext4 /dev/sda2 rw\n")
    (host.root / "sys/block/sdb").rename(host.root / "sys/block/sdc")
    assert await host.news(timedelta(hours=2)) == [
        "the running kernel changed from 6.1.0-26-amd64 to 6.1.0-27-amd64",
        "zfs changed from 2.1.11-1 to 2.1.12-1",
        "/mnt/jetty unmounted (/dev/sdb1, ext4)",
    ]
    assert host.log.changes[-1].after == NOON + 2 * MINUTE


async def test_usb_and_network_adapters(host: Host) -> None:
    """By product and serial number, or by their ids; hubs, interfaces and software adapters do not count."""
    await host.news()
    usb = "sys/bus/usb/devices"
    for name, files in {
        "1-1": {"idVendor": "10c4", "idProduct": "ea60", "product": "radio stick", "serial": "0001"},
        "1-2": {"idVendor": "10c4", "idProduct": "ea60"},
        "1-3": {"idVendor": "10c4", "idProduct": "ea60"},
        "1-4": {"bDeviceClass": "09", "idVendor": "1d6b", "idProduct": "0002"},
        "1-1:1.0": {"idVendor": "10c4"},
        "usb1": {"idVendor": "1d6b"},
        "1-5": {},
    }.items():
        (host.root / usb / name).mkdir(parents=True)
        for file, text in files.items():
            host.write(f"{usb}/{name}/{file}", text)
    host.write("sys/class/net/eth0/address", "52:54:00:00:00:01")
    (host.root / "sys/class/net/eth0/device").mkdir()
    host.write("sys/class/net/br0/address", "52:54:00:00:00:02")
    assert await host.news() == [
        "USB device 10c4:ea60 appeared (port 1-2)",
        "USB device 10c4:ea60 (2) appeared (port 1-3)",
        "USB device radio stick (serial 0001) appeared (port 1-1)",
        "network adapter eth0 (serial 52:54:00:00:00:01) appeared (eth0)",
    ]


async def test_what_cannot_be_stored_is_recorded_with_the_next_look(host: Host) -> None:
    """A full database loses nothing: the state of the last look stays, until the changes are kept."""
    log = FullLog()
    host.log, host.bench = log, replace(host.bench, changes=log)
    host.restart()
    await host.news()
    host.write("etc/fstab", "/dev/sda2 / ext4 noatime")
    assert await host.news() == []
    log.full = False
    assert await host.news() == ["/etc/fstab changed"]


async def test_a_log_that_cannot_be_read_or_has_a_gap_is_said(host: Host) -> None:
    """By what is not seen; the rest is still looked at."""
    (host.root / "var/log/dpkg.log").mkdir(parents=True)
    await host.news()
    (unread,) = host.seen
    assert unread == Unseen(PACKAGES, "/var/log/dpkg.log cannot be read: Is a directory")
    (host.root / "var/log/dpkg.log").rmdir()
    host.write("var/log/dpkg.log", "startup archives unpack\n")
    assert await host.news() == []
    (host.root / "var/log/dpkg.log").unlink()
    host.write("var/log/other", "")
    host.write("var/log/dpkg.log", "2026-11-27 11:00:00 install tar:amd64 <none> 1.34\n")
    assert await host.news() == ["tar installed 1.34"]
    (gap,) = host.seen
    assert isinstance(gap, Unseen)
    assert gap.why == "/var/log/dpkg.log was rotated more than once since the last look"


async def test_a_new_log_with_the_old_inode_is_a_new_log(host: Host) -> None:
    """ext4 and tmpfs give a removed file's inode to the next file: here the same file gets another content."""
    host.write("var/log/dpkg.log", "startup archives unpack\n")
    await host.news()
    with (host.root / "var/log/dpkg.log").open("r+") as log:
        log.write("2026-11-27 11:00:00 install tar:amd64 <none> 1.34\n")
    assert await host.news() == ["tar installed 1.34"]
    (gap,) = host.seen
    assert isinstance(gap, Unseen)


async def test_many_files_are_bounded(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder with more files than are compared costs no more."""
    monkeypatch.setattr(watched_files, "MOST", 3)
    for n in range(9):
        host.write(f"etc/cron.d/job-{n}", "")
    assert len(watched_files.look(host.root).files) == 3


async def test_this_machine(bench: ProbeContext) -> None:
    """A look at what is really here finds something, and a second one finds no change."""
    probe = ChangesProbe(ChangesSettings(), replace(bench, probe_states=MemoryStateStore(), changes=MemoryChangeLog()))
    await probe.observe()
    state = await probe._state.read()
    assert state.release == os.uname().release
    assert state.mounts
    log = probe._bench.changes
    assert isinstance(log, MemoryChangeLog)
    known = len(log.changes)
    await probe.observe()
    assert len(log.changes) == known
