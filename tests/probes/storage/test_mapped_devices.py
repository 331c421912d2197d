"""Layers of storage, from status lines in the forms of the kernel's documentation, and files as bcache.rst names them.

This machine's kernel has no device mapper, so no target was made to fail here.
"""

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.toolbox import Toolbox, find, sample
from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.mapped_devices import (
    BCACHE,
    MAPPED,
    MappedDevicesProbe,
    MappedDevicesSettings,
    faults_of,
    read_status,
)

CACHE = (
    "0 41943040 cache 8 72/262144 128 14562/327680 1064 3056 0 1 0 14561 0 1 writeback "
    "2 migration_threshold 2048 smq 0 {} {}"
)
WELL = {
    "root": "0 41943040 linear",
    "cams": CACHE.format("rw", "-"),
    "rings": "0 2080768 integrity 0 2080768 -",
    "usr": "0 2097152 verity V",
    "log": "0 41943040 writecache 0 1000 900 0 1",
    "before": "0 2097152 snapshot 397896/2097152 1560",
    "wide": "0 4194304 striped 2 8:16 8:32 1 AA",
    "dense": "0 41943040 vdo /dev/sdb normal - online online 1024 262144",
    "safe": "0 2097152 crypt",
    "new": "0 8 target-of-a-later-kernel 1 2 3",
}
FAULTS = {
    "0 41943040 cache Fail": ("its cache has failed and cannot be read or written", True),
    "0 41943040 cache Error": ("its cache has failed and cannot be read or written", True),
    CACHE.format("ro", "-"): ("the metadata of its cache is read-only", True),
    CACHE.format("ro", "needs_check"): ("the metadata of its cache needs a check with cache_check", True),
    "0 2080768 integrity 17 2080768 -": ("17 blocks did not match their checksums", True),
    "0 2097152 verity C": ("its data does not match its checksums", True),
    "0 41943040 writecache 5 1000 900 0": ("its write cache has failed with error 5", True),
    "0 2097152 snapshot Invalid": ("the snapshot is lost: Invalid", False),
    "0 2097152 snapshot-merge Merge failed": ("the snapshot is lost: Merge failed", False),
    "0 2097152 snapshot Overflow": ("the snapshot has no space left and is lost", False),
    "0 4194304 striped 2 8:16 8:32 1 AD": ("one of its disks has failed", True),
    "0 41943040 vdo /dev/sdb read-only - offline online 1 2": ("it has become read-only", True),
    "0 2097152 error": ("a part of it fails each read and write: a disk of it is missing", True),
}


def status(lines: Mapping[str, str]) -> str:
    """What dmsetup prints of these devices."""
    return "".join(f"{name}: {line}\n" for name, line in lines.items())


def test_targets_that_are_well() -> None:
    """A target that is not known reports nothing."""
    assert list(faults_of(read_status(status(WELL)))) == []


@pytest.mark.parametrize(("line", "expected"), FAULTS.items())
def test_each_target_at_fault(line: str, expected: tuple[str, bool]) -> None:
    """Its reason, and whether data is damaged or out of reach."""
    (fault,) = faults_of(read_status(status({**WELL, "hides-data": line})))
    assert (fault.device, fault.reason, fault.grave) == ("hides-data", *expected)


def test_a_real_thin_pool_and_its_volumes() -> None:
    """These targets have a probe of their own, and report nothing here."""
    found = read_status(sample("dmsetup-status.txt").stdout)
    assert {target for _, target, _ in found} >= {"thin-pool"}
    assert list(faults_of(found)) == []


@given(st.text(max_size=200))
def test_a_status_of_anything(text: str) -> None:
    """Whatever it is, there is no error, and a fault needs a line of the form."""
    assert all(each.device for each in faults_of(read_status(text)))


@pytest.mark.parametrize("words", ["", "-1", "many", "9" * 30])
def test_numbers_that_are_none(words: str) -> None:
    """A count of another form is no fault; a target without words neither."""
    for target in ("integrity", "writecache", "cache", "striped", "vdo", "verity", "snapshot"):
        assert list(faults_of(read_status(f"a: 0 8 {target} {words}\n"))) == []


class Host:
    """A host with mapped devices and perhaps bcache, on which the daemon is root."""

    def __init__(self, root: Path, toolbox: Toolbox, context: ProbeContext) -> None:
        self.root, self.toolbox = root, toolbox
        for number, name in enumerate(WELL):
            self.put(f"block/dm-{number}/dm/name", name)
            self.put(f"block/dm-{number}/dm/suspended", "0")
        self.probe = MappedDevicesProbe(MappedDevicesSettings(exclude=("safe*",)), context, root)
        self.says(WELL)

    def put(self, path: str, text: str) -> None:
        """Write a file of the kernel."""
        file = self.root / "sys" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f"{text}\n")

    def says(self, lines: Mapping[str, str]) -> None:
        """Let dmsetup print this."""
        self.toolbox.says("dmsetup", status(lines))

    async def observe(self) -> list[Observed]:
        """The next look of the one probe."""
        return list(await self.probe.observe())

    async def mapped(self) -> Condition:
        """The condition of the mapped devices."""
        return find(await self.observe(), *MAPPED, Condition)


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bench: ProbeContext) -> Host:
    """A host whose devices are well."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Host(tmp_path / "root", Toolbox(tmp_path, monkeypatch), replace(bench))


async def test_a_host_that_is_well(host: Host) -> None:
    """The number of devices is shown, without those that are left out; without bcache nothing is said of it."""
    (seen,) = await host.observe()
    assert isinstance(seen, Condition)
    assert (seen.ok, seen.facts) == (True, (("devices", "9"),))


async def test_several_faults(host: Host) -> None:
    """Five by name; the condition is grave if one of them is."""
    host.says({f"old-{n}": "0 1 snapshot Invalid" for n in range(7)} | {"safe-2": "0 1 error"})
    seen = await host.mapped()
    assert seen.reason.startswith("old-0: the snapshot is lost: Invalid; old-1: ")
    assert (seen.reason.endswith(" and 2 more"), seen.grave) == (True, False)
    host.says({"rings": "0 2 integrity 1 2 -"})
    assert (await host.mapped()).grave


async def test_a_device_that_is_suspended(host: Host) -> None:
    """For a moment it is while its table changes; at two looks in a row it is at fault."""
    host.put("block/dm-8/dm/suspended", "1")  # left out
    host.put("block/dm-1/dm/suspended", "1")
    assert (await host.mapped()).ok
    seen = await host.mapped()
    assert (seen.reason, seen.grave) == ("cams: it is suspended: its reads and writes wait", True)
    host.put("block/dm-1/dm/suspended", "0")
    assert (await host.mapped()).ok


async def test_without_the_tool(host: Host) -> None:
    """What it would say is not seen; what the kernel's files say is."""
    (host.toolbox.folder / "dmsetup").unlink()
    (seen,) = await host.observe()
    assert isinstance(seen, Unseen)
    assert "dmsetup is not installed" in seen.why
    host.put("block/dm-1/dm/suspended", "1")
    await host.observe()
    fault, unseen = await host.observe()
    assert isinstance(fault, Condition)
    assert not fault.ok
    assert isinstance(unseen, Unseen)


async def test_a_host_without_mapped_devices(tmp_path: Path, bench: ProbeContext) -> None:
    """There is nothing to ask anybody."""
    (seen,) = await MappedDevicesProbe(MappedDevicesSettings(), bench, tmp_path).observe()
    assert isinstance(seen, Condition)
    assert (seen.key, seen.ok) == (MAPPED, True)


@pytest.mark.parametrize(
    ("path", "text", "reason", "grave"),
    [
        ("block/bcache0/bcache/state", "clean", "", False),
        ("block/bcache0/bcache/state", "no cache", "", False),
        ("block/bcache0/bcache/state", "inconsistent",
         "bcache0: it was started without its cache, which held data that was not written", True),
        ("block/bcache0/bcache/io_errors", "3", "bcache0: 3 reads or writes of the disk behind it failed", False),
        ("block/bcache0/bcache/io_errors", "many", "", False),
        ("fs/bcache/9a7b1c2d-5e6f/cache0/io_errors", "12",
         "cache set 9a7b1c2d: 12 reads or writes of its caching disk failed", False),
    ],
)  # fmt: skip
async def test_bcache(host: Host, path: str, text: str, reason: str, grave: bool) -> None:  # noqa: FBT001  a case
    """Its state, and what it counts."""
    host.put("block/bcache0/bcache/state", "dirty")
    host.put(path, text)
    seen = find(await host.observe(), *BCACHE, Condition)
    assert (seen.reason, seen.grave) == (reason, grave)
