"""Every probe of storage on one real host on which nearly everything is at fault: see samples/storage/README.md."""

import os
from dataclasses import replace
from pathlib import Path

import pytest

from tests.probes.toolbox import FixedClock, Toolbox, find, sample, utc
from watchkeeper.model.observation import Condition, Deadline, Level, Observation, Unseen
from watchkeeper.privileged import commands
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.registry import PROBES, make_probe

NOW = utc("2026-11-25 08:35:00")


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> ProbeContext:
    """A host whose tools say what they said then."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(commands, "MOUNTS", tmp_path / "mountinfo")
    (tmp_path / "mountinfo").write_text("30 22 0:31 / /data rw - btrfs /dev/vde rw\n")
    toolbox = Toolbox(tmp_path, monkeypatch)

    def said(name: str) -> str:
        return sample(f"sick/{name}").stdout

    toolbox.answers("zpool", [("list", said("zpool-list.txt")), ("status", said("zpool-status-p.txt"))])
    names = "".join(f"{line.split(chr(9))[0]}\n" for line in said("zfs-list.txt").splitlines())
    snapshots = said("zfs-list-snapshots.txt")
    cases = [("-t snapshot", snapshots), ("-o name,type", said("zfs-list.txt")), ("-o name", names)]
    toolbox.answers("zfs", cases)
    toolbox.says("lvs", said("lvs.json"))
    toolbox.says("vgs", said("vgs.json"))
    toolbox.says("dmsetup", said("dmsetup-thin-pool.txt"))
    toolbox.says("btrfs", said("btrfs-subvolumes.txt"))
    return replace(bench, clock=FixedClock(NOW))


async def look(host: ProbeContext, kind: str, **settings: object) -> list[Observation]:
    """One look of a probe of the table."""
    seen = await make_probe(PROBES[kind].settings.model_validate({"kind": kind, **settings}), host).observe()
    return [each for each in seen if not isinstance(each, Unseen)]


@pytest.mark.parametrize(
    ("name", "command"),
    [
        ("zpool-list.txt", "zpool list -Hp -o name,health,size,allocated,fragmentation"),
        ("lvs.json", " ".join(commands.COMMANDS["lvm"].argvs[0])),
        ("vgs.json", " ".join(commands.COMMANDS["lvm"].argvs[1])),
        ("dmsetup-thin-pool.txt", " ".join(commands.COMMANDS["lvm"].argvs[2])),
        ("btrfs-subvolumes.txt", " ".join((*commands.COMMANDS["subvolumes"].argvs[0], "/data"))),
        ("btrfs-scrub.txt", " ".join((*commands.COMMANDS["scrubs"].argvs[0], "/data"))),
    ],
)
def test_the_samples_are_of_the_commands_that_are_run(name: str, command: str) -> None:
    """Whoever changes a command has to capture its output again."""
    assert sample(f"sick/{name}").command == command


async def test_pools(host: ProbeContext) -> None:
    """The suspended pool is grave and has no level, for `zfs list` does not name it; the other is well."""
    seen = await look(host, "zfs")
    full = find(seen, "pool full", "health", Condition)
    assert (full.grave, full.reason) == (True, "the pool is SUSPENDED: leg1 is FAULTED (too many errors)")
    assert find(seen, "pool full", "errors", Condition).reason.startswith("97 data errors")
    assert find(seen, "pool tank", "health", Condition).ok
    space = find(seen, "pool tank", "space", Level)
    assert (space.used, space.capacity) == (1213091840, 1213091840 + 2679222272)
    assert find(seen, "dataset tank/two words", "quota", Level).capacity == 50 * 2**20
    scrub = find(seen, "pool tank", "scrub", Deadline)
    assert scrub.last_at == utc("2026-11-25 08:20:24")
    assert find(seen, "pool full", "scrub", Deadline).last_at is None


async def test_thin_pools(host: ProbeContext) -> None:
    """One ran out of data and the other of metadata: each level is exactly full, and each health says which it was."""
    seen = await look(host, "lvm")
    data = find(seen, "thin pool vg0/thin0", "data", Level)
    metadata = find(seen, "thin pool vg0/thin1", "metadata", Level)
    assert data.used == data.capacity
    assert metadata.used == metadata.capacity
    assert find(seen, "thin pool vg0/thin0", "metadata", Level).used < data.capacity / 4
    assert "no data space is left" in find(seen, "thin pool vg0/thin0", "health", Condition).reason
    assert "metadata is full" in find(seen, "thin pool vg0/thin1", "health", Condition).reason
    assert dict(metadata.facts)["allocated"] == "9.77 GiB to 20 volumes, of 600 MiB"


async def test_snapshots(host: ProbeContext) -> None:
    """Odd names and many of them: the newest of each is found."""
    seen = await look(host, "zfs-snapshots", name="daily", datasets=["tank/*"], name_pattern=["daily-*"], max_age="1d")
    newest = find(seen, "snapshots of tank/two words (daily)", "newest", Deadline)
    assert dict(newest.facts)["newest"] == "daily-x y (0 B)"
    assert find(seen, "snapshots of tank/-dash (daily)", "newest", Deadline).last_at is None
    seen = await look(host, "lvm-snapshots", name="all", volumes=["vg0/t1"], max_age="1d")
    newest = find(seen, "snapshots of vg0/t1 (all)", "newest", Deadline)
    assert (newest.last_at, dict(newest.facts)["count"]) == (utc("2026-11-25 08:28:04"), "19")
    seen = await look(host, "btrfs-snapshots", name="all", filesystems=["/data"], max_age="1d")
    newest = find(seen, "snapshots of /data (all)", "newest", Deadline)
    assert dict(newest.facts)["newest"] == ".snapshots/-two\\nlines ID 7"
