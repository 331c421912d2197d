"""ZFS, LVM, btrfs, RAID and disks, from real output of the tools and the kernel on a machine that has them all."""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from tests.discovery.conftest import NOW, document, put, usable, value_of
from tests.probes.storage.zfs.test_tables import projected
from tests.probes.toolbox import SAMPLES, Toolbox, sample
from watchkeeper.discovery.finders.storage import btrfs, disks, lvm, zfs
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Thing
from watchkeeper.privileged import commands
from watchkeeper.probes.storage.zfs import tables as zfs_tables

SCRUBBED = "  pool: tank\n  scan: scrub repaired 0B in 00:00:01 with 0 errors on Sun Nov 22 00:24:02 2026\nconfig:\n"
POOLS = "tank\tONLINE\t4026531840\t120561664\t12\n"


class Zfs:
    """ZFS's tools, in the words that they are asked in."""

    def __init__(self, toolbox: Toolbox) -> None:
        self.toolbox = toolbox
        self.pools = POOLS
        self.datasets, self.snapshots = projected(), snapshots()
        self.status = SCRUBBED
        self.write()

    def write(self) -> None:
        """Put down what they say."""
        names = "".join(f"{line.split(chr(9))[0]}\n" for line in self.datasets.splitlines())
        self.toolbox.answers("zpool", [("list", self.pools), ("status", self.status)])
        self.toolbox.answers("zfs", [("usedby", self.datasets), ("snapshot", self.snapshots), ("-o name", names)])


def snapshots() -> str:
    """The real list of snapshots, cut to the columns that are asked for."""
    rows = (line.split("\t") for line in sample("zfs-list-snapshots.txt").stdout.splitlines())
    return "".join(f"{name}\t{created}\t{used}\n" for name, created, used, *_ in rows)


def hourly(dataset: str, count: int, prefix: str = "hourly-") -> str:
    """Lines of a steady set, the newest half an hour old."""
    at = [NOW - timedelta(minutes=30 + 60 * n) for n in range(count)]
    return "".join(f"{dataset}@{prefix}{each:%Y%m%d%H}\t{each.timestamp():.0f}\t1048576\n" for each in at)


@pytest.fixture
def tools(toolbox: Toolbox) -> Zfs:
    """A pool as a real one described itself."""
    return Zfs(toolbox)


@pytest.mark.usefixtures("tools")
async def test_a_real_pool(host: Host) -> None:
    """It must be there from now on; its four snapshots show no cadence, and are offered as taken by hand."""
    found = await zfs.find(host)
    (pool,) = [each for each in found.proposals if each.kind == "zfs"]
    assert value_of(pool, "pools") == ("tank",)
    assert pool.things == (Thing("pool", "tank"),)
    assert "Pool tank: ONLINE" in pool.about[0]
    assert "scrubbed" in pool.about[0]
    (by_hand,) = [each for each in found.proposals if each.kind == "zfs-snapshots"]
    assert by_hand.offered
    assert value_of(by_hand, "datasets") == ("tank/backup", "tank/home", "tank/vm/disk0")
    assert not found.unseen
    usable(document(found=found))


async def test_a_limit_on_promises_is_offered(tools: Zfs, host: Host) -> None:
    """25 % above what is allocated to the real volumes now, and never less than the pool."""
    (pool,) = [each for each in (await zfs.find(host)).proposals if each.kind == "zfs"]
    promised = sum(each.volsize or 0 for each in zfs_tables.read_datasets(tools.datasets))
    assert promised > 0
    limit = value_of(pool, "overcommit_limit")
    assert isinstance(limit, float)
    assert limit >= 1.0


async def test_a_set_with_a_cadence_is_proposed(tools: Zfs, host: Host) -> None:
    """Taken every hour so far: the next is due two hours after the last, and the reason says from what."""
    tools.snapshots = hourly("tank/home", 30)
    tools.write()
    found = await zfs.find(host)
    (each,) = [one for one in found.proposals if one.kind == "zfs-snapshots"]
    assert (value_of(each, "name"), value_of(each, "datasets"), value_of(each, "name_pattern")) == (
        "hourly", ("tank/home",), ("hourly-*",),
    )  # fmt: skip
    assert value_of(each, "max_age") == "2h"
    text = document(found=found)
    assert "12 intervals were examined, each at most 1h; the margin is 1h." in text
    assert "The newest is 30 min old." in text
    assert '#oldest_limit = "' in text
    usable(text)


async def test_a_set_that_has_stopped_is_said_to_have(tools: Zfs, host: Host) -> None:
    """The timer died weeks ago: the survey says so, and does not take the silence for the cadence."""
    tools.snapshots = "".join(
        f"tank/home@nightly-{n}\t{(NOW - timedelta(days=36 + n)).timestamp():.0f}\t0\n" for n in range(10)
    )
    tools.write()
    found = await zfs.find(host)
    (each,) = [one for one in found.proposals if one.kind == "zfs-snapshots"]
    assert value_of(each, "max_age") == "1d3h"
    assert "36 days old, so you will be notified at once" in each.about[1]


async def test_a_suspended_pool_lists_nothing_and_says_so(tools: Zfs, host: Host) -> None:
    """Without datasets the pool is proposed all the same."""
    tools.pools, tools.datasets, tools.status, tools.snapshots = "tank\tSUSPENDED\t-\t-\t-\n", "", "", ""
    tools.write()
    found = await zfs.find(host)
    assert [each.kind for each in found.proposals] == ["zfs"]
    assert found.proposals[0].about == ("Pool tank: SUSPENDED.",)


async def test_a_pool_that_was_never_scrubbed(tools: Zfs, host: Host) -> None:
    """It says that no scrub is known."""
    tools.status = "  pool: tank\n  scan: none requested\nconfig:\n"
    tools.write()
    assert "no finished scrub is known" in (await zfs.find(host)).proposals[0].about[0]


async def test_no_zfs_is_nothing_to_tell(host: Host, toolbox: Toolbox) -> None:
    """Without tools and without the module it is not here; with the module, the tools are missing."""
    assert (await zfs.find(host)).absent == ("ZFS",)
    put(host.root, "proc/spl/kstat/zfs/tank/state", "ONLINE\n")
    (unseen,) = (await zfs.find(host)).unseen
    assert "zfsutils-linux" in unseen.why
    toolbox.says("zpool", "")
    assert (await zfs.find(host)).absent == ("ZFS pools",)


@pytest.mark.usefixtures("tools")
async def test_each_failing_zfs_tool_is_reported(host: Host, toolbox: Toolbox) -> None:
    """What one of them says is seen without the others."""
    toolbox.put("zpool", f"case $1 in list) printf '{POOLS}';; *) echo broken >&2; exit 1;; esac")
    toolbox.put("zfs", "echo 'Permission denied the ZFS utilities' >&2; exit 1")
    found = await zfs.find(host)
    assert [each.kind for each in found.proposals] == ["zfs"]
    assert {each.what for each in found.unseen} == {"ZFS datasets", "the state of ZFS pools", "snapshots of ZFS"}
    toolbox.put("zpool", "echo broken >&2; exit 1")
    assert [each.what for each in (await zfs.find(host)).unseen] == ["ZFS pools"]


def put_lvm(toolbox: Toolbox) -> None:
    """LVM's tools as they spoke on a machine with one thin pool."""
    toolbox.says("lvs", sample("lvs-nosuffix.json").stdout)
    toolbox.says("vgs", sample("vgs.json").stdout)
    toolbox.says("dmsetup", sample("dmsetup-status.txt").stdout)


async def test_a_real_thin_pool(toolbox: Toolbox, host: Host) -> None:
    """Its usage and allocation are in the comment; 8 GiB allocated of 3 GiB, and 25 % more, is 3.3 times."""
    put_lvm(toolbox)
    found = await lvm.find(host)
    (proposal,) = [each for each in found.proposals if each.kind == "lvm"]
    assert "Thin pool vg0/thin0: 5 % of its data used, 11 % of its metadata used" in proposal.about[1]
    assert value_of(proposal, "overcommit_limit") == 3.3
    assert Thing("snapshots of lvm", "vg0/vm1") in found.there
    usable(document(found=found))


async def test_a_thin_pool_that_is_not_active(toolbox: Toolbox, host: Host) -> None:
    """It has no usage. The comment also says that it is not extended automatically."""
    put_lvm(toolbox)
    report = json.loads(sample("lvs-nosuffix.json").stdout)
    for row in report["report"][0]["lv"]:
        if row["lv_name"] == "thin0":
            row.update(data_percent="", metadata_percent="", seg_monitor="")
    toolbox.says("lvs", json.dumps(report))
    (proposal,) = [each for each in (await lvm.find(host)).proposals if each.kind == "lvm"]
    assert "not active" in proposal.about[1]
    assert "it is not extended automatically" in proposal.about[1]


async def test_groups_without_a_thin_pool(toolbox: Toolbox, host: Host) -> None:
    """There is no allocation to limit. Without any group there is nothing to monitor."""
    put_lvm(toolbox)
    toolbox.says("lvs", '{"report": [{"lv": []}]}')
    assert (await lvm.find(host)).proposals[0].keys == ()
    toolbox.says("vgs", '{"report": [{"vg": []}]}')
    assert (await lvm.find(host)).absent == ("LVM volume groups",)


async def test_lvm_that_may_not_be_seen(unprivileged: Host) -> None:
    """The kernel tells everybody that LVM is here: the probe is offered, with the privilege that is missing."""
    assert (await lvm.find(unprivileged)).absent == ("LVM",)
    put(unprivileged.root, "sys/block/dm-0/dm/uuid", "LVM-abc-tpool\n")
    put(unprivileged.root, "sys/block/dm-0/dm/name", "vg0-thin0-tpool\n")
    put(unprivileged.root, "sys/block/dm-1/dm/uuid", "CRYPT-LUKS2-abc\n")
    (unprivileged.root / "sys/block/dm-2/dm").mkdir(parents=True)
    found = await lvm.find(unprivileged)
    assert [(each.kind, each.offered) for each in found.proposals] == [("lvm", True)]
    assert "needs root" in found.unseen[0].why
    assert "watchkeeper-helper.socket" in found.unseen[0].remedy
    assert "volume group" not in found.looked
    usable(document(found=found))


async def test_lvm_that_prints_nonsense_is_reported(toolbox: Toolbox, host: Host) -> None:
    """An LVM that cannot be understood is not one that is not there."""
    put_lvm(toolbox)
    toolbox.says("lvs", "nonsense")
    assert (await lvm.find(host)).unseen


def put_btrfs(host: Host, point: str = "/data") -> None:
    """A mounted btrfs with the tables of a real one."""
    tables = json.loads((SAMPLES / "sysfs-btrfs.json").read_text())
    for path, text in tables.items():
        put(host.root, f"sys/fs/btrfs/uuid-1/{path}", text)
    device = next(path.split("/")[1] for path in tables if path.startswith("devices/"))
    put(host.root, "proc/self/mountinfo", f"21 1 0:40 / {point} rw - btrfs /dev/{device} rw\n")


@pytest.fixture
def btrfs_host(host: Host, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch) -> Host:
    """A host with one btrfs, whose snapshots are listed as on a real one."""
    put_btrfs(host)
    monkeypatch.setattr(commands, "MOUNTS", host.root / "proc/self/mountinfo")
    toolbox.says("btrfs", sample("btrfs-subvol-list-s.txt").stdout)
    return host


async def test_a_real_btrfs(btrfs_host: Host) -> None:
    """The comment gives its data and metadata, and its snapshots are in a set."""
    found = await btrfs.find(btrfs_host)
    assert [each.kind for each in found.proposals] == ["btrfs", "btrfs-snapshots"]
    assert "of data" in found.proposals[0].about[0]
    assert "unallocated" in found.proposals[0].about[0]
    assert Thing("snapshots of btrfs", "/data") in found.there
    usable(document(found=found))


async def test_a_btrfs_whose_tables_are_missing(btrfs_host: Host) -> None:
    """It is proposed nevertheless, with the reason why it could not be examined."""
    put(btrfs_host.root, "proc/self/mountinfo", "21 1 0:40 / /data rw - btrfs /dev/other rw\n")
    assert "could not be examined" in (await btrfs.find(btrfs_host)).proposals[0].about[0]


async def test_no_btrfs_and_no_list_of_mounts(host: Host) -> None:
    """None is mounted, or that cannot be known."""
    assert (await btrfs.find(host)).absent == ("btrfs",)
    (host.root / "proc/self/mountinfo").unlink()
    assert [each.what for each in (await btrfs.find(host)).unseen] == ["btrfs"]


async def test_btrfs_snapshots_need_root(unprivileged: Host) -> None:
    """Space is visible without it, and what needs root is reported with the remedy."""
    put_btrfs(unprivileged)
    found = await btrfs.find(unprivileged)
    assert [each.kind for each in found.proposals] == ["btrfs"]
    assert "snapshots and scrubs" in found.unseen[0].what


def put_array(root: Path, name: str, degraded: int) -> None:
    """An array's tables: Documentation/admin-guide/md.rst."""
    for file, value in {"level": "raid1", "array_state": "clean", "raid_disks": "2", "degraded": str(degraded)}.items():
        put(root, f"sys/block/{name}/md/{file}", f"{value}\n")


async def test_software_raid(host: Host) -> None:
    """Each array must be there from now on; one that lacks a disk says so."""
    assert (await disks.find_arrays(host)).absent == ("software RAID",)
    put_array(host.root, "md0", 0)
    put_array(host.root, "md127", 1)
    found = await disks.find_arrays(host)
    (proposal,) = found.proposals
    assert value_of(proposal, "arrays") == ("md0", "md127")
    assert proposal.about == ("Array md0: raid1, 2 disks.", "Array md127: raid1, 2 disks, 1 missing.")
    usable(document(proposal))


NVME = {
    "model_name": "Example NVMe 1TB",
    "smart_status": {"passed": True},
    "nvme_smart_health_information_log": {"percentage_used": 7},
}
SCAN = '{"devices": [{"name": "/dev/nvme0", "type": "nvme"}]}'


async def test_disks_that_tell_of_their_health(host: Host, toolbox: Toolbox) -> None:
    """The comment gives the verdict and the used endurance."""
    toolbox.answers("smartctl", [("--scan", SCAN), ("--all", json.dumps(NVME))])
    found = await disks.find_disks(host)
    (proposal,) = found.proposals
    (about,) = proposal.about
    assert about == "Disk /dev/nvme0 (Example NVMe 1TB): it reports that it is OK; 7% of its endurance used."
    usable(document(proposal))


@pytest.mark.parametrize(
    ("status", "text", "about"),
    [
        (3, "{}", ["Disk /dev/nvme0 is asleep and was not woken."]),
        (0, "not JSON", []),
        (0, sample("smartctl-virtio.json").stdout, []),
    ],
    ids=["asleep", "nonsense", "a virtual disk"],
)
async def test_disks_that_say_nothing(host: Host, toolbox: Toolbox, status: int, text: str, about: list[str]) -> None:
    """One that sleeps is not woken; one that says nothing of itself is not proposed."""
    put(toolbox.folder, ".said", text)
    toolbox.put(
        "smartctl",
        f"case \"$*\" in *--scan*) printf '%s' '{SCAN}';; *) cat {toolbox.folder}/.said; exit {status};; esac",
    )
    found = await disks.find_disks(host)
    assert [line for each in found.proposals for line in each.about] == about


async def test_disks_that_may_not_be_asked(unprivileged: Host) -> None:
    """Where there are none, nothing is missing; where there are, the privilege is."""
    put(unprivileged.root, "sys/block/vda/size", "1\n")
    assert (await disks.find_disks(unprivileged)).absent
    put(unprivileged.root, "sys/block/sda/size", "1\n")
    found = await disks.find_disks(unprivileged)
    assert [(each.kind, each.offered) for each in found.proposals] == [("smart", True)]
    assert "needs root" in found.unseen[0].why


async def test_odd_names_come_out_as_they_are(tools: Zfs, host: Host) -> None:
    """Spaces, quotes, brackets and a lone byte that is no UTF-8 in the names of datasets and snapshots."""
    odd = ["tank/two words", 'tank/"quoted" \\ [x]*', "tank/\udcff", "tank/Brandgans-Ü"]
    tools.datasets += "".join(f"{name}\tfilesystem\t1\t1\t1\t1\t0\t0\t-\t-\t-\t1795582573\n" for name in odd)
    tools.snapshots = "".join(hourly(name, 20, prefix='it\'s "h" [a] ') for name in odd)
    tools.write()
    text = document(found=await zfs.find(host))
    (probe,) = [each for each in usable(text).probe if each.kind == "zfs-snapshots"]
    assert set(getattr(probe, "origins")) == {*odd[:2], odd[3], "tank/?"}  # noqa: B009  a kind that is known at run time


async def test_more_origins_than_a_comment_names(tools: Zfs, host: Host) -> None:
    """The list is whole, the comment is short."""
    guests = [f"tank/guest-{n}" for n in range(9)]
    tools.datasets += "".join(f"{name}\tfilesystem\t1\t1\t1\t1\t0\t0\t-\t-\t-\t1795582573\n" for name in guests)
    tools.snapshots = "".join(hourly(name, 6) for name in guests)
    tools.write()
    (each,) = [one for one in (await zfs.find(host)).proposals if one.kind == "zfs-snapshots"]
    assert value_of(each, "datasets") == tuple(guests)
    assert "and 3 more" in each.about[0]


async def test_many_names_without_a_cadence(tools: Zfs, host: Host) -> None:
    """Twenty are named; the rest are counted."""
    tools.snapshots = "".join(f"tank/home@{'x' * (n + 1)}\t1795582580\t{n}\n" for n in range(25))
    tools.write()
    (each,) = [one for one in (await zfs.find(host)).proposals if one.kind == "zfs-snapshots"]
    assert each.about[-1] == "- and 5 more sets."
    assert len(each.about) == 22


async def test_arrays_that_cannot_be_read(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is reported as not examined."""

    def broken(_sysfs: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(disks, "read_arrays", broken)
    assert [each.what for each in (await disks.find_arrays(host)).unseen] == ["software RAID"]


async def test_uneven_intervals_are_described(tools: Zfs, host: Host) -> None:
    """Every two hours as a rule and every three at night: the reason names both."""
    at_h = [0, 2, 4, 6, 9, 12, 14, 16, 18, 20, 22, 24, 27]
    tools.snapshots = "".join(f"tank/home@auto-{n}\t{(NOW - timedelta(hours=n)).timestamp():.0f}\t0\n" for n in at_h)
    tools.write()
    text = document(found=await zfs.find(host)).replace("\n# ", " ")
    assert "12 intervals were examined: 2h in the median, 90 % at most 3h; the margin is 1h" in text
    assert 'max_age = "4h"' in text
