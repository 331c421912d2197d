"""What should be mounted: fstab as findmnt(8) of util-linux reads it, mount units, and what was mounted before."""

import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.probes.toolbox import FixedClock
from tests.support.needs import need
from watchkeeper.errors import ProbeTimeout
from watchkeeper.model.observation import Condition, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.filesystems.expected_mounts import (
    ExpectedMount,
    ExpectedMounts,
    MountsSeen,
    SeenMount,
    holder,
    parse_fstab,
)
from watchkeeper.probes.filesystems.filesystems import FilesystemsProbe, FilesystemsSettings

FSTAB = r"""
# <file system> <mount point> <type> <options> <dump> <pass>
UUID=0a3407de-014b-458b-b5c1-848e92a327a3 / ext4 errors=remount-ro 0 1
/dev/disk/by-label/jetty	/mnt/jetty	xfs	defaults,nofail	0 2
LABEL=rings /srv/ringing\040records/ btrfs subvol=@rings 0 0
fulmar:/cams /mnt/nest-cams nfs4 _netdev 0 0
/dev/skerry/swap none swap sw 0 0
/dev/sdz1 /mnt/by-hand ext4 noauto 0 0
/dev/sdz2 /mnt/on-use ext4 noatime,x-systemd.automount 0 0
tmpfs /tmp tmpfs size=1g
/srv/tide-log /mnt/tide-log none bind
broken line
"""


def test_fstab_as_findmnt_reads_it(tmp_path: Path) -> None:
    """Sources, mount points and types are those of findmnt(8), less what is not mounted at boot."""
    program = shutil.which("findmnt")
    need(program, "findmnt (util-linux) is not installed")
    path = tmp_path / "fstab"
    path.write_text(FSTAB.replace("broken line\n", ""))
    words = [str(program), "--fstab", "--tab-file", str(path), "--json", "--output", "SOURCE,TARGET,FSTYPE,OPTIONS"]
    printed = subprocess.run(words, capture_output=True, check=True, timeout=60).stdout
    rows = flat(json.loads(printed)["filesystems"])
    wanted = {
        (row["source"], row["target"].rstrip("/") or "/", row["fstype"])
        for row in rows
        if row["fstype"] != "swap" and not {"noauto", "x-systemd.automount"} & set((row["options"] or "").split(","))
    }
    assert {(each.source, each.point, each.type) for each in parse_fstab(FSTAB)} == wanted
    assert len(wanted) == 6


def flat(rows: list[dict[str, object]]) -> list[dict[str, str]]:
    """The rows of findmnt's tree."""
    found: list[dict[str, str]] = []
    for row in rows:
        found += [row, *flat(row.get("children", []))]  # type: ignore[arg-type,list-item]
    return found


def test_enabled_mount_units(tmp_path: Path) -> None:
    """A unit counts if another unit starts it; one that is only there does not."""
    folder = tmp_path / "etc/systemd/system"
    (folder / "multi-user.target.wants").mkdir(parents=True)
    (folder / "mnt-jetty.mount").write_text("[Mount]\nWhat=LABEL=jetty\nWhere = /mnt/jetty\nType=xfs\n")
    (folder / "mnt-other.mount").write_text("[Mount]\nWhat=LABEL=other\nWhere=/mnt/other\n")
    (folder / "multi-user.target.wants/mnt-jetty.mount").symlink_to("../mnt-jetty.mount")
    (folder / "multi-user.target.wants/mnt-gone.mount").symlink_to("../mnt-gone.mount")
    wanted = ExpectedMount("/mnt/jetty", "LABEL=jetty", "xfs", "mnt-jetty.mount")
    assert ExpectedMounts(tmp_path).named() == {"/mnt/jetty": wanted}


def test_files_are_read_again_after_a_change(tmp_path: Path) -> None:
    """An edited or replaced fstab, an edited unit, a new link and a removed one each count at the next look."""
    folder = tmp_path / "etc/systemd/system"
    (folder / "multi-user.target.wants").mkdir(parents=True)
    unit, link = folder / "mnt-rings.mount", folder / "multi-user.target.wants/mnt-rings.mount"
    unit.write_text("[Mount]\nWhat=a\nWhere=/mnt/rings\n")
    expected = ExpectedMounts(tmp_path)
    assert expected.named() == {}
    fstab = tmp_path / "etc/fstab"
    fstab.write_text("a /mnt/jetty xfs\n")
    first = expected.named()
    assert set(first) == {"/mnt/jetty"}
    assert expected.named() is first  # nothing was read
    (tmp_path / "new").write_text("a /mnt/petty xfs\n")
    (tmp_path / "new").rename(fstab)
    link.symlink_to("../mnt-rings.mount")
    assert set(expected.named()) == {"/mnt/petty", "/mnt/rings"}
    unit.write_text("[Mount]\nWhat=a\nWhere=/mnt/rings-of-1921\n")
    assert set(expected.named()) == {"/mnt/petty", "/mnt/rings-of-1921"}
    link.unlink()
    fstab.unlink()
    assert expected.named() == {}


def test_a_unit_that_has_no_end(tmp_path: Path) -> None:
    """A link to the kernel's zeros ends, and names nothing."""
    wants = tmp_path / "etc/systemd/system/multi-user.target.wants"
    wants.mkdir(parents=True)
    (wants / "mnt-jetty.mount").symlink_to("/dev/zero")
    assert ExpectedMounts(tmp_path).named() == {}


@pytest.mark.parametrize("text", ["", "\x00" * 100, "/dev/sda1", "#" * 10_000, "a b\n" * 20_000, "x /y\udcff z\n"])
def test_an_fstab_of_anything(text: str) -> None:
    """Whatever it holds, there is no error."""
    assert len(list(parse_fstab(text))) <= 1


def test_where_writes_go_instead() -> None:
    """The file system that holds the empty folder gets them."""
    assert holder("/mnt/jetty", {"/", "/mnt", "/mnt/jet", "/srv"}) == "/mnt"
    assert holder("/srv/rings", {"/", "/srv"}) == "/srv"
    assert holder("/x", set()) == "/"


class Host:
    """A host with an fstab of its own, and a probe that keeps its state across restarts of it."""

    def __init__(self, root: Path, bench: ProbeContext) -> None:
        self.root, self.clock = root, FixedClock(datetime(2026, 11, 30, 12, tzinfo=UTC))
        self.bench = replace(bench, clock=self.clock, probe_states=MemoryStateStore())
        (root / "etc").mkdir()
        (root / "proc/sys/kernel/random").mkdir(parents=True)
        self.booted("first")

    def booted(self, boot: str, up_s: float = 5000) -> None:
        """Start the host again."""
        (self.root / "proc/sys/kernel/random/boot_id").write_text(f"{boot}\n")
        (self.root / "proc/uptime").write_text(f"{up_s} 1.00\n")

    def fstab(self, text: str) -> None:
        """Write its fstab."""
        (self.root / "etc/fstab").write_text(text)

    async def mounted(self, **settings: object) -> dict[str, Condition]:
        """What a new probe says of each mount point."""
        probe = FilesystemsProbe(FilesystemsSettings.model_validate(settings), self.bench, self.root)
        found = [each for each in await probe.observe() if isinstance(each, Condition)]
        return {each.key.subject: each for each in found if each.key.quantity == "mounted"}

    async def was_mounted(self, point: str, boot: str) -> None:
        """Have the probe remember a mount."""
        state = MountsSeen(seen={point: SeenMount(boot=boot, source="/dev/sdx1", type="xfs")})
        await self.bench.probe_states.write("filesystems", state.model_dump_json())


@pytest.fixture
def host(tmp_path: Path, bench: ProbeContext) -> Host:
    """A host that has run for a while."""
    return Host(tmp_path, bench)


async def test_what_fstab_names_and_is_not_there(host: Host) -> None:
    """It is reported by its name, with the file system that gets what is written there; also after a week."""
    host.fstab("LABEL=jetty /mnt/jetty xfs defaults 0 2\n")
    for _ in range(3):
        found = (await host.mounted())["file system /mnt/jetty"]
        assert found.reason == "it is not mounted, although /etc/fstab names it"
        assert not found.ok
        assert dict(found.facts)["what is written there now fills"] == "file system /"
        host.clock.at += timedelta(days=8)


async def test_what_did_not_come_back_after_a_restart(host: Host) -> None:
    """Named by fstab or not: it was there before the restart."""
    await host.was_mounted("/mnt/jetty", "earlier")
    found = (await host.mounted())["file system /mnt/jetty"]
    assert found.reason == "it has not been mounted since the host restarted"
    assert dict(found.facts)["device"] == "/dev/sdx1"
    host.clock.at += timedelta(days=6, hours=23)
    assert not (await host.mounted())["file system /mnt/jetty"].ok
    host.clock.at += timedelta(hours=2)
    assert "file system /mnt/jetty" not in await host.mounted()


async def test_mounts_may_still_be_starting(host: Host) -> None:
    """Shortly after the boot nothing is missing yet."""
    await host.was_mounted("/mnt/jetty", "first")
    host.booted("second", up_s=60)
    assert (await host.mounted())["file system /mnt/jetty"].ok
    host.booted("second", up_s=190)
    assert not (await host.mounted())["file system /mnt/jetty"].ok


async def test_what_is_left_out_or_not_named(host: Host) -> None:
    """Settings hold for what is missing as well."""
    host.fstab("LABEL=jetty /mnt/jetty xfs defaults 0 2\n")
    assert "file system /mnt/jetty" not in await host.mounted(exclude=["/mnt/*"])
    assert "file system /mnt/jetty" not in await host.mounted(only=["/srv"])
    assert "file system /mnt/jetty" in await host.mounted(only=["/mnt/*"])


async def test_what_fstab_names_and_is_there(host: Host) -> None:
    """/proc is mounted on every host; the root is not reported, for it is there as long as anything runs."""
    host.fstab("/dev/vda1 / ext4 defaults 0 1\nproc /proc proc defaults 0 0\n")
    mounted = await host.mounted()
    assert mounted["file system /proc"].ok
    assert dict(mounted["file system /proc"].facts)["named by"] == "/etc/fstab"
    assert "file system /" not in mounted


async def test_a_list_that_cannot_be_read(bench: ProbeContext) -> None:
    """The file systems are looked at all the same; whether one is missing is not known."""

    class Late:
        """Workers that do not come back from /etc."""

        async def call(self, thing: str, work: Callable[[], Any], timeout_s: float) -> Any:
            if thing == "fstab and mount units":
                raise ProbeTimeout("fstab and mount units did not answer within 10s")
            return await bench.workers.call(thing, work, timeout_s)

    probe = FilesystemsProbe(FilesystemsSettings(), replace(bench, workers=Late()))
    seen = await probe.observe()
    why = "fstab and mount units did not answer within 10s"
    assert [each for each in seen if isinstance(each, Unseen)] == [Unseen("mounts that fstab and units name", why)]
    assert len(seen) > 1
