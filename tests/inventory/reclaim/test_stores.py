"""What LVM, btrfs and files say that snapshots free: bounds where they do not tell, and the reason."""

import json
import os
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.inventory.places import mounted, place
from tests.probes.toolbox import Toolbox, sample
from watchkeeper.errors import PrivilegeMissing
from watchkeeper.inventory.reclaim import btrfs as freeing_btrfs
from watchkeeper.inventory.reclaim import files as freeing_files
from watchkeeper.inventory.reclaim import lvm as freeing_lvm
from watchkeeper.inventory.reclaim.btrfs import INCONSISTENT, NO_QUOTAS, SHARED, SIMPLE, read_quotas
from watchkeeper.inventory.reclaim.stores import StoreReader
from watchkeeper.planning.reclaim.snapshots import Bounds, Freed
from watchkeeper.privileged import commands
from watchkeeper.probes.storage.snapshot_files import list_files
from watchkeeper.probes.support.workers import ThreadWorkers

CHUNK = 65_536
POOL_BYTES = 3_221_225_472

SUBVOLUMES = """\
ID 258 gen 10 cgen 10 top level 5 otime 2026-11-25 04:56:35 path .snapshots/hide-hub-1
ID 259 gen 11 cgen 11 top level 5 otime 2026-11-26 04:56:35 path .snapshots/hide-hub-2
"""


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Tools of the test's own, run as root would run them."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    found = Toolbox(tmp_path, monkeypatch)
    found.says("lvs", sample("lvs-nosuffix.json").stdout)
    found.says("vgs", sample("vgs.json").stdout)
    found.says("dmsetup", sample("dmsetup-status.txt").stdout)
    return found


def row(name: str, **more: str) -> dict[str, str]:
    """One line of lvs' report, of a group vg0."""
    base = {
        "vg_name": "vg0", "lv_name": name, "lv_attr": "Vwi-a-t---", "lv_size": str(2**30), "pool_lv": "", "origin": "",
        "data_percent": "", "metadata_percent": "", "lv_time": "1795582590", "lv_metadata_size": "",
        "lv_health_status": "", "lv_when_full": "", "seg_monitor": "",
    }  # fmt: skip
    return base | more


def volumes(toolbox: Toolbox, *rows: dict[str, str]) -> None:
    """Let lvs report these."""
    toolbox.says("lvs", json.dumps({"report": [{"lv": list(rows)}]}))


async def freed(holding: StoreReader, *names: str) -> Freed:
    """What these free together."""
    return await holding.freed([each for each in holding.candidates if each.name in names])


async def test_a_real_thin_pool(toolbox: Toolbox, tmp_path: Path, workers: ThreadWorkers) -> None:
    """vm1 maps 3.12 % of 2 GiB and vm2 1.63 % of 4 GiB; the snapshot is not active. The pool has 2605 of 49152 chunks.

    What it holds beyond the two volumes is the snapshot's; what it holds besides the larger is the most.
    """
    assert toolbox.folder.exists()
    (holding,) = await freeing_lvm.look(place(tmp_path, workers))
    assert (holding.key.subject, holding.key.quantity) == ("thin pool vg0/thin0", "data")
    (snapshot,) = holding.candidates
    assert (snapshot.name, snapshot.of, snapshot.label, snapshot.stuck) == ("vg0/vm1-snap", "vg0/vm1", "vm1-snap", "")
    found = await freed(holding, "vg0/vm1-snap")
    used, vm1, vm2 = 2605 * CHUNK, 0.0312 * 2**31, 0.0163 * 2**32
    rounding = 0.0001 * (2**31 + 2**32) + 2
    assert max(used - vm1 - vm2 - rounding, 0) <= found.bounds.least <= max(used - vm1 - vm2, 0)
    assert found.bounds.most == pytest.approx(used - max(vm1, vm2), abs=rounding)
    assert found.why == (freeing_lvm.SHARED,)
    assert (await holding.freed([])) == Freed(Bounds(0, 0))


async def test_thin_snapshots_that_hold_nearly_all(toolbox: Toolbox, tmp_path: Path, workers: ThreadWorkers) -> None:
    """A pool of 1 GiB, 60 % used; the volume maps 10 %, two snapshots 50 % each: 50 % of it is theirs for certain."""
    toolbox.says("dmsetup", "nothing of a pool\n")
    volumes(
        toolbox,
        row("thin0", lv_attr="twi-aot---", data_percent="60.00"),
        row("hide-hub", pool_lv="thin0", data_percent="10.00"),
        row("hide-hub-1", pool_lv="thin0", origin="hide-hub", data_percent="50.00"),
        row("hide-hub-2", pool_lv="thin0", origin="hide-hub-1", data_percent="50.00", lv_attr="Vwi-aot---"),
    )
    (holding,) = await freeing_lvm.look(place(tmp_path, workers))
    one, other = holding.candidates
    assert (one.of, other.of) == ("vg0/hide-hub", "vg0/hide-hub")
    assert (one.stuck, other.stuck) == ("", "it is in use: mounted, or a guest's disk")
    found = (await freed(holding, one.name, other.name)).bounds
    assert found.most is not None
    assert found.least == pytest.approx(0.5 * 2**30, rel=0.001)
    assert found.most == pytest.approx(0.5 * 2**30, rel=0.001)
    assert found.least <= 0.5 * 2**30 <= found.most


async def test_snapshots_with_a_space_of_their_own(toolbox: Toolbox, tmp_path: Path, workers: ThreadWorkers) -> None:
    """They give the whole of it back to the group, exactly; one that is being merged cannot be removed."""
    volumes(
        toolbox,
        row("tide-log", lv_attr="owi-aos---", lv_size=str(2**33)),
        row("tide-log-1", lv_attr="swi-a-s---", origin="tide-log", data_percent="3.00"),
        row("tide-log-2", lv_attr="Swi-a-s---", origin="tide-log", lv_size=str(2**29)),
    )
    probe: dict[str, object] = {"kind": "lvm-snapshots", "name": "n", "volumes": ["vg0/*"], "max_age": "1d"}
    (holding,) = await freeing_lvm.look(place(tmp_path, workers, probe))
    assert (holding.key.subject, holding.key.quantity) == ("volume group vg0", "space")
    assert [each.stuck for each in holding.candidates] == ["", "it is being merged into its origin"]
    assert await freed(holding, "vg0/tide-log-1") == Freed(Bounds(2**30, 2**30))
    assert (await holding.freed(holding.candidates)).bounds == Bounds(2**30 + 2**29, 2**30 + 2**29)
    assert [limit.max_age_s for limit in holding.limits] == [86_400]


@pytest.mark.parametrize(("uuid", "in_use"), [("LVM-abc", True), ("CRYPT-abc", False), (None, False)])
async def test_lvm_without_leave(
    tmp_path: Path, workers: ThreadWorkers, monkeypatch: pytest.MonkeyPatch, uuid: str | None, *, in_use: bool
) -> None:
    """Where the kernel maps a logical volume, it is told that nobody may look; elsewhere there is no LVM."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    folder = tmp_path / "sys/block/dm-0/dm"
    folder.mkdir(parents=True)
    if uuid:
        (folder / "uuid").write_text(uuid)
    if in_use:
        with pytest.raises(PrivilegeMissing, match="needs root"):
            await freeing_lvm.look(place(tmp_path, workers))
    else:
        assert await freeing_lvm.look(place(tmp_path, workers)) == []


class Btrfs:
    """A mounted btrfs at /srv with its tables, as the kernel lays them out (its ABI/testing/sysfs-fs-btrfs)."""

    def __init__(self, folder: Path, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch) -> None:
        mounted(folder, ("/srv", "btrfs", "/dev/vde"))
        monkeypatch.setattr(commands, "MOUNTS", folder / "mountinfo")
        toolbox.says("btrfs", SUBVOLUMES)
        self.table = folder / "sys/fs/btrfs/792b911c"
        (self.table / "devices/vde").mkdir(parents=True)
        (self.table / "allocation/data").mkdir(parents=True)
        (folder / "sys/fs/btrfs/features").mkdir()

    def quotas(self, groups: dict[str, tuple[int, int]], **words: str) -> None:
        """Turn quotas on with these counts: referenced and exclusive."""
        for name, (referenced, exclusive) in groups.items():
            group = self.table / "qgroups" / name
            group.mkdir(parents=True, exist_ok=True)
            (group / "referenced").write_text(f"{referenced}\n")
            (group / "exclusive").write_text(f"{exclusive}\n")
        for name, word in words.items():
            (self.table / "qgroups" / name).write_text(f"{word}\n")


@pytest.fixture
def btrfs(tmp_path: Path, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch) -> Btrfs:
    """A btrfs with two snapshots, quotas off."""
    return Btrfs(tmp_path, toolbox, monkeypatch)


async def looked(folder: Path, workers: ThreadWorkers) -> StoreReader:
    """The only btrfs."""
    (holding,) = await freeing_btrfs.look(place(folder, workers))
    return holding


async def test_quota_groups_are_exact_for_one(btrfs: Btrfs, tmp_path: Path, workers: ThreadWorkers) -> None:
    """What each holds alone is exact; of both, what they share may come free too: 300 at the most."""
    btrfs.quotas(
        {"0_5": (9, 9), "0_258": (1000, 100), "0_259": (500, 200), "1_100": (1, 1)}, enabled="1", mode="qgroup"
    )
    holding = await looked(tmp_path, workers)
    assert (holding.key.subject, holding.key.quantity) == ("btrfs /srv", "data")
    assert [(each.name, each.of, each.label) for each in holding.candidates] == [
        ("/srv/.snapshots/hide-hub-1", "/srv", ".snapshots/hide-hub-1"),
        ("/srv/.snapshots/hide-hub-2", "/srv", ".snapshots/hide-hub-2"),
    ]
    assert await freed(holding, "/srv/.snapshots/hide-hub-1") == Freed(Bounds(100, 100))
    assert await holding.freed(holding.candidates) == Freed(Bounds(300, 600), (SHARED,))
    assert await holding.freed([]) == Freed(Bounds(0, 0))


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ({"enabled": "0"}, NO_QUOTAS),
        ({"mode": "squota"}, SIMPLE),
        ({"inconsistent": "1"}, INCONSISTENT),
        (None, NO_QUOTAS),
    ],
)
async def test_counts_that_mean_something_else_are_not_taken(
    btrfs: Btrfs, tmp_path: Path, workers: ThreadWorkers, words: dict[str, str] | None, why: str
) -> None:
    """Quotas off, simple ones, or ones that the kernel says are wrong: nothing is known, and the reason is told."""
    if words is not None:
        btrfs.quotas({"0_258": (1000, 100), "0_259": (500, 200)}, **words)
    holding = await looked(tmp_path, workers)
    assert await holding.freed(holding.candidates) == Freed(Bounds(0, None), (why,))


async def test_a_snapshot_that_is_not_counted_yet(btrfs: Btrfs, tmp_path: Path, workers: ThreadWorkers) -> None:
    """What the counted ones hold alone is free for certain; no more is known. Mixed chunks are one level."""
    btrfs.quotas({"0_258": (1000, 100)})
    (btrfs.table / "allocation/mixed").mkdir()
    holding = await looked(tmp_path, workers)
    assert holding.key.quantity == "space"
    assert await holding.freed(holding.candidates) == Freed(Bounds(100, None), (SHARED,))


async def test_tables_that_cannot_be_read(btrfs: Btrfs, tmp_path: Path, workers: ThreadWorkers) -> None:
    """A count that is no number, and a device that is in no table: nothing is known."""
    btrfs.quotas({"0_258": (1000, 100)})
    (btrfs.table / "qgroups/0_258/exclusive").write_text("much")
    found = await (await looked(tmp_path, workers)).freed((await looked(tmp_path, workers)).candidates)
    assert "quota counts cannot be read" in found.why[0]
    assert read_quotas(tmp_path / "sys/fs/btrfs", "/dev/other").why == NO_QUOTAS


async def test_no_btrfs_is_mounted(toolbox: Toolbox, tmp_path: Path, workers: ThreadWorkers) -> None:
    """Then root's side is not even asked."""
    toolbox.put("btrfs", f"touch {tmp_path}/ran")
    assert await freeing_btrfs.look(place(tmp_path, workers)) == []
    assert not (tmp_path / "ran").exists()


def files(*globs: str, name: str = "hide-hub") -> dict[str, object]:
    """A table of the configuration."""
    return {"kind": "snapshots", "name": name, "files": list(globs), "max_age": "1d"}


def written(folder: Path, names: Sequence[str], blocks: int = 8) -> int:
    """Write files; what each takes, as stat(2) says."""
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_bytes(b"x" * 4096 * blocks)
    os.sync()
    return (folder / names[0]).stat().st_blocks * 512


async def test_files_free_what_they_take(tmp_path: Path, workers: ThreadWorkers) -> None:
    """On a file system that shares nothing; one with a second name elsewhere frees nothing, with both it does."""
    folder = tmp_path / "backup"
    size = written(folder, ["a.img", "b.img"])
    os.link(folder / "b.img", folder / "b-again.img")
    mounted(tmp_path, (str(tmp_path), "ext4", "/dev/vdb"))
    (holding,) = await freeing_files.look(place(tmp_path, workers, files(str(folder)), files(f"{folder}/a*", name="n")))
    assert (holding.key.subject, holding.key.quantity) == (f"file system {tmp_path}", "space")
    a, b, again = (str(folder / name) for name in ("a.img", "b.img", "b-again.img"))
    assert sorted(each.name for each in holding.candidates) == sorted([a, b, again])
    assert {each.of for each in holding.candidates} == {"hide-hub"}
    assert await freed(holding, a) == Freed(Bounds(size, size))
    assert await freed(holding, b) == Freed(Bounds(0, 0), (freeing_files.LINKED,))
    assert (await freed(holding, a, b, again)).bounds == Bounds(2 * size, 2 * size)
    assert [limit.covers(holding.candidates[0]) for limit in holding.limits] == [True, False]


async def test_files_that_may_share_blocks(tmp_path: Path, workers: ThreadWorkers) -> None:
    """On btrfs, what a file takes is the most; a file whose mount is not known is passed over."""
    folder = tmp_path / "backup"
    size = written(folder, ["a.img"])
    mounted(tmp_path, (str(tmp_path), "btrfs", "/dev/vdb"))
    (holding,) = await freeing_files.look(place(tmp_path, workers, files(str(folder))))
    assert await holding.freed(holding.candidates) == Freed(Bounds(0, size), (freeing_files.MAY_SHARE,))
    (tmp_path / "mountinfo").write_text("")
    assert await freeing_files.look(place(tmp_path, workers, files(str(folder)))) == []


async def test_files_that_are_too_small_are_none(tmp_path: Path, workers: ThreadWorkers) -> None:
    """A backup that failed half way is not taken for the newest, so the last good one stays."""
    folder = tmp_path / "backup"
    written(folder, ["good-1.img"])
    (folder / "good-2.img").write_bytes(b"x")
    mounted(tmp_path, (str(tmp_path), "ext4", "/dev/vdb"))
    (holding,) = await freeing_files.look(place(tmp_path, workers, files(str(folder)) | {"min_size": "1 KiB"}))
    assert [each.name for each in holding.candidates] == [str(folder / "good-1.img")]


async def test_a_file_that_goes_while_one_looks(
    tmp_path: Path, workers: ThreadWorkers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is passed over."""
    folder = tmp_path / "backup"
    written(folder, ["a.img"])
    mounted(tmp_path)
    listed = list_files([str(folder)], [])
    (folder / "a.img").unlink()
    monkeypatch.setattr(freeing_files, "list_files", lambda *_: listed)
    assert await freeing_files.look(place(tmp_path, workers, files(str(folder)))) == []
