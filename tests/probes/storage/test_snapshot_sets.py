"""Sets of snapshots, and the probes that list those of ZFS, LVM and btrfs."""

import os
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.storage.zfs.test_tables import projected
from tests.probes.toolbox import FixedClock, Toolbox, find, keys, sample, utc
from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Deadline, Observation
from watchkeeper.privileged import commands
from watchkeeper.privileged import process as running
from watchkeeper.probes.base import Probe, ProbeContext
from watchkeeper.probes.storage.btrfs.snapshots import BtrfsSnapshotsProbe, BtrfsSnapshotsSettings
from watchkeeper.probes.storage.btrfs.tables import ScrubStatus, Subvolume, read_scrub, read_subvolumes
from watchkeeper.probes.storage.lvm.snapshots import LvmSnapshotsProbe, LvmSnapshotsSettings, origins
from watchkeeper.probes.storage.lvm.tables import read_volumes
from watchkeeper.probes.storage.snapshot_ages import Snapshot
from watchkeeper.probes.storage.snapshot_sets import Origin, SetSettings, SetWatch
from watchkeeper.probes.storage.zfs.snapshots import ZfsSnapshotsProbe, ZfsSnapshotsSettings

NOW = utc("2026-12-01 06:00:00")
HOUR, DAY = timedelta(hours=1), timedelta(days=1)

SCRUB = """\
UUID:             39db9623-1803-480b-bb06-a43048201ee5
Scrub started:    Wed Nov 25 07:53:53 2026
Status:           finished
Duration:         0:00:00
\tdata_extents_scrubbed: 92
\tuncorrectable_errors: 3
"""
"""As btrfs-progs 6.2 gave it after a scrub, but for the count of errors and the lines between."""


def settings(**more: object) -> SetSettings:
    """Settings of a set of this name."""
    return SetSettings.model_validate(
        {"kind": "any", "name": "hourly", "origins": ["hide-hub"], "max_age": "2h", **more}
    )


def origin(name: str, *snapshots: Snapshot) -> Origin:
    """Something with snapshots."""
    return Origin(name, snapshots)


def watch(origins_there: list[Origin], **more: object) -> list[Observation]:
    """One look at a set."""
    return SetWatch(settings(**more), "dataset").observe(origins_there, NOW)


def test_a_set_is_told_from_another_by_its_name_and_pattern() -> None:
    """An hourly set and a weekly one of the same origin have their own limits and their own subjects."""
    hide_hub = origin("hide-hub", Snapshot("hourly-7", NOW - HOUR), Snapshot("weekly-3", NOW - 8 * DAY))
    hourly = find(watch([hide_hub], name_pattern=["hourly-*"]), "snapshots of hide-hub (hourly)", "newest", Deadline)
    assert (hourly.last_at, hourly.due_at) == (NOW - HOUR, NOW + HOUR)
    weekly = watch([hide_hub], name="weekly", name_pattern=["weekly-*"], max_age="7d")
    assert find(weekly, "snapshots of hide-hub (weekly)", "newest", Deadline).due_at == NOW - DAY


def test_the_oldest_may_have_a_limit() -> None:
    """One that is kept for too long is a condition, with what it holds."""
    kept = origin("hide-hub", Snapshot("pre-upgrade", NOW - 35 * DAY, 200 * 2**30), Snapshot("new", NOW))
    oldest = find(watch([kept], oldest_limit="30d"), "snapshots of hide-hub (hourly)", "oldest", Condition)
    assert oldest.reason == "pre-upgrade (200 GiB) is 35d old, limit 30d"


def test_an_origin_without_snapshots_has_never_had_one() -> None:
    """It is there, and none matches the set's."""
    seen = watch([origin("hide-hub", Snapshot("other", NOW))], name_pattern=["hourly-*"])
    assert find(seen, "snapshots of hide-hub (hourly)", "newest", Deadline).due_at is None
    assert find(seen, "snapshots of hide-hub (hourly)", "there", Condition).ok


def test_an_origin_that_is_named_and_not_there() -> None:
    """A slip in the configuration, or something destroyed: not the same as having no snapshot."""
    seen = watch([origin("tide-log")])
    assert keys(seen) == {"snapshots of hide-hub (hourly): there"}
    assert "this dataset does not exist" in find(seen, "snapshots of hide-hub (hourly)", "there", Condition).reason


def test_a_pattern_that_matches_nothing() -> None:
    """A set of nothing is not silence."""
    with pytest.raises(ProbeError, match="no dataset has a name like gull"):
        watch([origin("tide-log")], origins=["gull*"])


def test_what_is_left_out() -> None:
    """A pattern for most, and another for those that it should not take."""
    seen = watch([origin("a/tmp"), origin("a/b")], origins=["a/*"], exclude=["*/tmp"])
    assert keys(seen) == {"snapshots of a/b (hourly): newest"}


def test_a_name_that_looks_like_a_pattern() -> None:
    """A bracket in a name that is written out is only a bracket."""
    seen = watch([origin("a[1]")], origins=["a[1]"])
    assert keys(seen) == {f"snapshots of a[1] (hourly): {each}" for each in ("newest", "there")}


def test_a_snapshot_from_the_future() -> None:
    """It does not stay the newest for as long as its date lies ahead: it counts from when it was first seen."""
    watching = SetWatch(settings(), "dataset")
    ahead = [origin("hide-hub", Snapshot("s", NOW + 400 * DAY))]
    first = find(watching.observe(ahead, NOW), "snapshots of hide-hub (hourly)", "newest", Deadline)
    later = find(watching.observe(ahead, NOW + DAY), "snapshots of hide-hub (hourly)", "newest", Deadline)
    assert first.last_at == later.last_at == NOW
    slightly = [origin("hide-hub", Snapshot("s", NOW + timedelta(seconds=90)))]
    assert find(watching.observe(slightly, NOW), "snapshots of hide-hub (hourly)", "newest", Deadline).last_at == NOW


@given(st.text(min_size=1), st.text(min_size=1))
def test_any_name_does_no_harm(name: str, snapshot: str) -> None:
    """Whatever an origin and a snapshot are called, the subject can be stored and stands on one line."""
    seen = watch([origin(name, Snapshot(snapshot, NOW))], origins=["*"])
    (newest,) = [each for each in seen if isinstance(each, Deadline)]
    assert newest.last_at == NOW
    assert newest.key.subject.isprintable()
    str(newest.facts).encode("utf-8")


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Stand-ins for the system's tools, on a machine where the daemon is root."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Toolbox(tmp_path, monkeypatch)


@pytest.fixture
def now(bench: ProbeContext) -> ProbeContext:
    """A bench at the time of the tests."""
    return replace(bench, clock=FixedClock(NOW))


def zfs(bench: ProbeContext, **more: object) -> ZfsSnapshotsProbe:
    """A probe of a set of ZFS."""
    document = {"name": "daily", "datasets": ["tank/home"], "max_age": "1d", **more}
    return ZfsSnapshotsProbe(ZfsSnapshotsSettings.model_validate(document), bench)


def lists(toolbox: Toolbox, names: str, snapshots: str) -> None:
    """Let `zfs list` say this of data sets, and that of snapshots."""
    toolbox.answers("zfs", [("-t snapshot", snapshots), ("-t filesystem", names)])


async def test_the_snapshots_of_a_real_pool(now: ProbeContext, toolbox: Toolbox) -> None:
    """Each data set's own, by pattern."""
    names = "".join(f"{line.split(chr(9))[0]}\n" for line in projected().splitlines())
    snapshots = "".join(
        "\t".join(line.split("\t")[:3]) + "\n" for line in sample("zfs-list-snapshots.txt").stdout.splitlines()
    )
    lists(toolbox, names, snapshots)
    seen = await zfs(now, datasets=["tank/*"], name_pattern=["daily-*", "pre-*"]).observe()
    home = find(seen, "snapshots of tank/home (daily)", "newest", Deadline)
    assert home.last_at == utc("2026-11-25 04:56:16")
    assert dict(home.facts)["oldest"].startswith("daily-1 (20.1 MiB), ")
    assert dict(home.facts)["count"] == "2"
    assert find(seen, "snapshots of tank/backup (daily)", "newest", Deadline).last_at is None
    assert find(seen, "snapshots of tank/vm/disk0 (daily)", "newest", Deadline).last_at == utc("2026-11-25 04:56:20")


async def test_a_suspended_pool_says_nothing_about_snapshots(now: ProbeContext, toolbox: Toolbox) -> None:
    """`zfs list` prints nothing and ends well: that is no proof that there are none."""
    lists(toolbox, "", "")
    with pytest.raises(ProbeError, match="suspended"):
        await zfs(now).observe()


async def test_odd_names_of_data_sets(now: ProbeContext, toolbox: Toolbox) -> None:
    """A space, a sign that Python takes for the end of a line, a byte that is no UTF-8."""
    lists(toolbox, "a b/\x85c\udcff\n", "a b/\x85c\udcff@s\t1795582576\t0\n")
    seen = await zfs(now, datasets=["a b/*"]).observe()
    assert find(seen, "snapshots of a b/\\x85c\\xff (daily)", "newest", Deadline).last_at == utc("2026-11-25 04:56:16")


def lvm(bench: ProbeContext, **more: object) -> LvmSnapshotsProbe:
    """A probe of a set of LVM."""
    document = {"name": "nightly", "volumes": ["vg0/vm*"], "max_age": "1d", **more}
    return LvmSnapshotsProbe(LvmSnapshotsSettings.model_validate(document), bench)


async def test_the_snapshots_of_real_volumes(now: ProbeContext, toolbox: Toolbox) -> None:
    """A thin snapshot belongs to its origin, and is none itself; the pool and its hidden parts are none either."""
    toolbox.says("lvs", sample("lvs-nosuffix.json").stdout)
    seen = await lvm(now, volumes=["*"]).observe()
    assert keys(seen) == {f"snapshots of vg0/{name} (nightly): newest" for name in ("vm1", "vm2")}
    assert find(seen, "snapshots of vg0/vm1 (nightly)", "newest", Deadline).last_at == utc("2026-11-25 04:56:30")
    assert find(seen, "snapshots of vg0/vm2 (nightly)", "newest", Deadline).last_at is None


def test_a_snapshot_of_a_snapshot_counts_for_the_first_origin() -> None:
    """So it does where the middle one was removed, and a ring does no harm."""
    row = '{{"vg_name":"v","lv_name":"{}","lv_attr":"V","lv_size":"1","origin":"{}","lv_time":"1795582576"}}'
    rows = [row.format(*each) for each in (("a", ""), ("b", "a"), ("c", "b"), ("d", "gone"), ("r", "s"), ("s", "r"))]
    found = origins(read_volumes(f'{{"report": [{{"lv": [{",".join(rows)}]}}]}}'))
    assert [(each.name, [one.name for one in each.snapshots]) for each in found] == [("v/a", ["b", "c"])]


async def test_lvm_without_root(
    now: ProbeContext, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """No helper, or one whose lvs has no permission either: said as what it is, not as an empty report."""
    refused = sample("guest-lvs-reportformat-json.txt")
    toolbox.says("lvs", refused.stdout, status=refused.status, stderr=refused.stderr)
    with pytest.raises(PrivilegeMissing, match="lvs has no permission"):
        await lvm(now).observe()
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(PrivilegeMissing, match="no helper listens"):
        await lvm(now, helper=str(tmp_path / "none")).observe()


def btrfs(bench: ProbeContext, **more: object) -> BtrfsSnapshotsProbe:
    """A probe of a set of btrfs."""
    document = {"name": "nightly", "filesystems": ["/data"], "max_age": "1d", **more}
    return BtrfsSnapshotsProbe(BtrfsSnapshotsSettings.model_validate(document), bench)


async def test_the_snapshots_of_a_real_btrfs(
    now: ProbeContext, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """By mount point, and by the pattern of their paths."""
    (tmp_path / "mountinfo").write_text("30 22 0:31 / /data rw - btrfs /dev/vde rw\n")
    monkeypatch.setattr(commands, "MOUNTS", tmp_path / "mountinfo")
    toolbox.says("btrfs", sample("btrfs-subvol-list-s.txt").stdout)
    seen = await btrfs(now, name_pattern=[".snapshots/vms-*"]).observe()
    assert find(seen, "snapshots of /data (nightly)", "newest", Deadline).last_at == utc("2026-11-25 04:56:35")
    (toolbox.folder / "btrfs").unlink()
    monkeypatch.setattr(running, "PATH", str(toolbox.folder))  # The real one may be installed on this machine.
    with pytest.raises(ToolMissing, match="btrfs-progs"):
        await btrfs(now).observe()


def test_odd_paths_of_subvolumes() -> None:
    """As btrfs-progs 6.2 printed them: a space, a leading dash, a line break with a false beginning, no UTF-8."""
    text = (
        "ID 257 gen 8 cgen 8 top level 5 otime 2026-11-25 07:53:53 path s/one two\n"
        "ID 258 gen 9 cgen 9 top level 5 otime 2026-11-25 07:53:53 path s/-dash\n"
        "ID 259 gen 10 cgen 10 top level 5 otime 2026-11-25 07:53:53 path s/line\n"
        "break ID 9 gen 1\n"
        "ID 260 gen 11 cgen 11 top level 5 otime - path s/\udcff\n"
    )
    made_at = utc("2026-11-25 07:53:53")
    assert read_subvolumes(text) == [
        Subvolume(f"s/{name}", made_at) for name in ("one two", "-dash", "line\nbreak ID 9 gen 1")
    ]
    assert read_subvolumes("ID 1 gen 1 cgen 1 top level 5 otime 2026-13-25 07:53:53 path x\n") == []
    assert read_subvolumes("nonsense\n") == read_subvolumes("") == []


def test_the_last_scrub_of_a_btrfs() -> None:
    """A real report, and one of a file system that was never scrubbed."""
    assert read_scrub(SCRUB) == ScrubStatus(utc("2026-11-25 07:53:53"), "finished", 3)
    assert read_scrub(sample("btrfs-scrub-status.txt").stdout) == ScrubStatus(None, "", 0)
    assert read_scrub("") == ScrubStatus(None, "", 0)


@pytest.mark.parametrize("make", [zfs, lvm, btrfs])
async def test_nothing_is_held(
    now: ProbeContext,
    toolbox: Toolbox,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    make: Callable[[ProbeContext], Probe],
) -> None:
    """After a look nothing is open that was not open before, closing takes nothing away, and it can look again."""
    (tmp_path / "mountinfo").write_text("30 22 0:31 / /data rw - btrfs /dev/vde rw\n")
    monkeypatch.setattr(commands, "MOUNTS", tmp_path / "mountinfo")
    lists(toolbox, "tank/home\n", "tank/home@daily-1\t1795582576\t0\n")
    toolbox.says("lvs", sample("lvs-nosuffix.json").stdout)
    toolbox.says("btrfs", sample("btrfs-subvol-list-s.txt").stdout)
    await make(now).observe()  # the worker's thread and what it opens once
    before = sorted(each.name for each in Path("/proc/self/fd").iterdir())  # noqa: ASYNC240  it blocks nobody
    probe = make(now)
    first = await probe.observe()
    assert sorted(each.name for each in Path("/proc/self/fd").iterdir()) == before  # noqa: ASYNC240  as above
    await probe.close()
    await probe.close()
    assert first
    assert await probe.observe() == first
