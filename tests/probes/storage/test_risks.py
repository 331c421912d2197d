"""Storage that works and is set up to break later: swap, pools and thin pools, through programs in the tools' place."""

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from tests.probes.storage.lvm.test_volume_groups import GROUPS, VOLUMES
from tests.probes.storage.zfs.test_auxiliary import STATUS
from tests.probes.storage.zfs.test_classes import LISTED
from tests.probes.toolbox import FixedClock, Toolbox, find, utc
from watchkeeper.model.alert import Priority
from watchkeeper.model.observation import Condition, Level, Observed, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.registry import PROBES
from watchkeeper.probes.storage.risks import (
    SWAP,
    StorageRisksProbe,
    StorageRisksSettings,
    read_extension,
    swap_condition,
)

SWAPS = "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"
EXTENDED = "monitoring=1\nthin_pool_autoextend_threshold=80\n"


class Host:
    """A host with a pool and a thin pool, on which the daemon is root."""

    def __init__(self, root: Path, toolbox: Toolbox, context: ProbeContext) -> None:
        self.root, self.toolbox, self.context = root, toolbox, context
        (root / "proc/spl/kstat/zfs").mkdir(parents=True)
        (root / "proc/swaps").write_text(SWAPS + "/dev/sda2 partition 1 0 -2\n")
        self.pool(0.5, 20)
        toolbox.says("zpool-status", STATUS)
        toolbox.says("vgs", GROUPS)
        toolbox.says("dmsetup", "")
        self.thin("3221225472")
        self.extension(EXTENDED)

    def pool(self, used: float, fragmented: int, devices: str = "") -> None:
        """Let the pool be this full. devices: what `zpool list -v` shows."""
        self.toolbox.says("zpool-list", f"skerry\tONLINE\t1000\t{1000 * used:.0f}\t{fragmented}\n")
        self.toolbox.says("zpool-list-Hpv", devices)
        self.toolbox.put("zpool", 'case "$*" in "list -Hpv") set -- list-Hpv;; esac; exec "$(dirname "$0")/zpool-$1"')

    def thin(self, size: str, **changed: str) -> None:
        """Let the thin pool have this size."""
        report = json.loads(VOLUMES)
        for row in report["report"][0]["lv"]:
            if row["lv_name"] == "thin0":
                row.update(changed, lv_size=size)
        self.toolbox.says("lvs", json.dumps(report))

    def extension(self, text: str) -> None:
        """Let lvm.conf say this."""
        self.toolbox.says("lvmconfig", text)

    async def observe(self, **settings: object) -> list[Observed]:
        """One look of a new probe."""
        known = StorageRisksSettings.model_validate(settings)
        return list(await StorageRisksProbe(known, self.context, self.root).observe())

    async def reason(self, subject: str, quantity: str, **settings: object) -> str:
        """Why one condition is faulty."""
        return find(await self.observe(**settings), subject, quantity, Condition).reason


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Host:
    """A host with everything."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    clock = FixedClock(utc("2026-12-01 06:00:00"))
    return Host(tmp_path / "root", Toolbox(tmp_path, monkeypatch), replace(bench, clock=clock))


async def test_special_devices_that_fill(host: Host) -> None:
    """Their fill is a level, asked for only where a pool has such devices; alone it is never more than a caution."""
    host.pool(0.5, 20, LISTED)
    level = find(await host.observe(), "pool skerry", "special devices", Level)
    assert (level.used, level.capacity) == (1500, 2000)
    host.toolbox.says("zpool-status", "  pool: skerry\n state: ONLINE\nconfig:\n\n\tskerry  ONLINE  0  0  0\n")
    assert not [each for each in await host.observe() if isinstance(each, Level)]
    full = StorageRisksSettings().usual_rules.full
    assert (full.caution, full.warning, full.alarm) == (30 * 86400, None, None)


@pytest.mark.parametrize("name", ["/dev/zd0", "/dev/zvol/skerry/swap"])
def test_swap_on_a_volume_of_zfs(name: str) -> None:
    """It is a fault with its reason; swap beside it does not hide it."""
    seen = swap_condition(f"{SWAPS}/dev/sda2 partition 1 0 -2\n{name} partition 2097148 0 -3\n")
    assert seen.reason == f"{name}: ZFS needs memory to write to it, so the host can hang when memory is short"


@pytest.mark.parametrize("text", ["", SWAPS, SWAPS + "/dev/zram0 partition 1 0 100\n/swap\\040file file 1 0 -2\n", "x"])
def test_swap_elsewhere(text: str) -> None:
    """Compressed memory, a file and a partition are no risk of this sort."""
    assert swap_condition(text).ok


async def test_swap_of_this_machine(bench: ProbeContext) -> None:
    """The kernel's own file is read; there is no ZFS here."""
    seen = await StorageRisksProbe(StorageRisksSettings(), bench).observe()
    assert find(seen, SWAP.subject, SWAP.quantity, Condition).ok


async def test_a_list_of_swap_that_cannot_be_read(host: Host) -> None:
    """It is not claimed to be well."""
    (host.root / "proc/swaps").unlink()
    assert [each.what for each in await host.observe() if isinstance(each, Unseen)] == ["placement of swap"]


async def test_devices_of_a_pool_that_have_no_copy(host: Host) -> None:
    """Each role may be accepted."""
    both = await host.reason("pool skerry", "single devices")
    assert (both.count("no mirror"), "dedup device quick2" in both) == (2, True)
    one = await host.reason("pool skerry", "single devices", single_devices=["dedup"])
    assert one.startswith("log device quick3 has no mirror")
    assert await host.reason("pool skerry", "single devices", single_devices=["dedup", "logs"]) == ""


@pytest.mark.parametrize(
    ("used", "fragmented", "reason"),
    [
        (0.89, 69, ""),
        (0.9, 20, "90% of it is in use: ZFS writes more slowly there"),
        (0.5, 70, "its free space is 70% fragmented: ZFS writes more slowly there"),
        (0.95, 80, "95% of it is in use and its free space is 80% fragmented: ZFS writes more slowly there"),
    ],
)
async def test_a_pool_that_is_slow(host: Host, used: float, fragmented: int, reason: str) -> None:
    """By how much of it is in use, or by how its free space is split."""
    host.pool(used, fragmented)
    assert await host.reason("pool skerry", "fragmentation") == reason


async def test_a_pool_that_does_not_tell(host: Host) -> None:
    """A pool that is suspended has no figures: then it is not judged by them."""
    host.toolbox.says("zpool-list", "skerry\tSUSPENDED\t-\t-\t-\n")
    assert await host.reason("pool skerry", "fragmentation") == ""


async def test_pools_that_cannot_be_asked(host: Host) -> None:
    """What ZFS says is passed on, and nothing counts as well."""
    host.toolbox.says("zpool-list", "", status=1, stderr="internal error")
    seen = await host.observe()
    assert [each.what for each in seen if isinstance(each, Unseen)] == ["risks of ZFS pools"]
    assert not [each for each in seen if isinstance(each, Condition) and each.key.subject == "pool skerry"]


@pytest.mark.parametrize(
    ("settings", "changed", "why"),
    [
        (EXTENDED, {}, ""),
        ("monitoring=1\nthin_pool_autoextend_threshold=100\n", {}, "thin_pool_autoextend_threshold is 100 in lvm.conf"),
        ("", {}, "thin_pool_autoextend_threshold is 100 in lvm.conf"),
        (EXTENDED.replace("=1\n", "=0\n"), {}, "dmeventd does not monitor it"),
        (EXTENDED, {"seg_monitor": "not monitored"}, "dmeventd does not monitor it"),
    ],
)
async def test_an_overcommitted_thin_pool(host: Host, settings: str, changed: dict[str, str], why: str) -> None:
    """It is a risk unless dmeventd extends it; lvm.conf says at which share."""
    host.extension(settings)
    host.thin("1073741824", **changed)
    reason = await host.reason("thin pool vg0/thin0", "extension")
    assert reason.startswith("its volumes may grow to " if why else "")
    assert reason.endswith(why)
    host.thin("999999999999", **changed)
    assert await host.reason("thin pool vg0/thin0", "extension") == ""


async def test_a_group_without_free_space(host: Host) -> None:
    """Dmeventd has nothing to extend the pool with."""
    host.thin("1073741824")
    report = json.loads(GROUPS)
    for row in report["report"][0]["vg"]:
        row["vg_free"] = "0"
    host.toolbox.says("vgs", json.dumps(report))
    reason = await host.reason("thin pool vg0/thin0", "extension")
    assert reason.endswith("it cannot be extended: its volume group has no free space")


async def test_what_is_left_out(host: Host) -> None:
    """Neither pool is looked at."""
    seen = await host.observe(exclude=["skerry", "vg0/*"])
    assert [str(each.key) for each in seen if isinstance(each, Condition)] == ["swap: placement"]


async def test_a_host_without_lvm(host: Host) -> None:
    """Nothing is said of it; an LVM that fails is not seen."""
    host.toolbox.says("lvs", "", status=5, stderr="lvm.conf is broken")
    assert [each.what for each in await host.observe() if isinstance(each, Unseen)] == ["risks of thin pools"]
    (host.toolbox.folder / "lvs").unlink()
    assert [each for each in await host.observe() if isinstance(each, Unseen)] == []


async def test_without_the_helper(host: Host, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Mapped devices show that there may be thin pools, which then are not seen."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    settings = {"helper": tmp_path / "none.sock"}
    assert [each for each in await host.observe(**settings) if isinstance(each, Unseen)] == []
    (host.root / "sys/block/dm-0/dm").mkdir(parents=True)
    (host.root / "sys/block/dm-0/dm/name").write_text("vg0-thin0-tpool\n")
    assert [each.what for each in await host.observe(**settings) if isinstance(each, Unseen)] == ["risks of thin pools"]


@pytest.mark.parametrize("text", ["", "x", "=", "monitoring=", "monitoring=one", "monitoring=-1", "a=1=2", "\udcff=1"])
def test_settings_of_lvm_that_are_none(text: str) -> None:
    """What is no number is left out."""
    assert "monitoring" not in read_extension(text)


def test_it_is_a_caution() -> None:
    """Nothing of it has happened yet."""
    rules = PROBES["storage-risks"].settings.usual_rules
    assert rules.faulty.priority is rules.faulty.failed_priority is Priority.CAUTION
