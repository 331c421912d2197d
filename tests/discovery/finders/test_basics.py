"""File systems, memory, the clock and files of backups, on a host in a folder."""

import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.discovery.conftest import NOW, document, put, usable, value_of
from watchkeeper.discovery.finders import basics, files
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Thing
from watchkeeper.errors import PrivilegeMissing, ProbeError, ProbeTimeout
from watchkeeper.probes.filesystems import filesystem_look
from watchkeeper.probes.filesystems.filesystem_look import Figures
from watchkeeper.probes.host.clock import ClockState

MOUNTS = (
    "21 1 8:1 / / rw - ext4 /dev/sda1 rw\n"
    "22 21 0:40 / /skerry rw - zfs skerry rw\n"
    "23 22 0:41 / /skerry/two\\040[words] rw - zfs skerry/two rw\n"
    "24 21 0:42 / /srv rw - btrfs /dev/sdb1 rw\n"
    "25 21 0:43 / /mnt/nest-cams rw - nfs4 barn:/cams rw\n"
)


@pytest.fixture
def figures(monkeypatch: pytest.MonkeyPatch) -> dict[str, Figures | Exception | None]:
    """What each file system says; the rest are half full."""
    said: dict[str, Figures | Exception | None] = {}

    def look(point: str, _mount_id: int) -> Figures | None:
        found = said.get(point, Figures(50, 50, 1, 1))
        if isinstance(found, Exception):
            raise found
        return found

    monkeypatch.setattr(filesystem_look, "figures", look)
    return said


@pytest.mark.usefixtures("figures")
async def test_every_file_system_is_named_with_its_fill(host: Host) -> None:
    """ZFS is left to its own probe, with its names as they are; another machine's are offered."""
    put(host.root, "proc/self/mountinfo", MOUNTS)
    found = await basics.find_filesystems(host)
    (proposal,) = found.proposals
    assert value_of(proposal, "exclude") == ("/skerry", "/skerry/two [[]words]")
    assert value_of(proposal, "also") == ("/mnt/nest-cams",)
    assert "- / (ext4): 50 % of 100 B used" in proposal.about
    assert "its own probe below" in proposal.about[2]
    assert Thing("file system", "/mnt/nest-cams") in found.there
    usable(document(proposal))


async def test_directories_are_walked_where_they_can_be(host: Host) -> None:
    """Of local file systems, not of ZFS or of another machine; nothing without one, or without the kernel's list."""
    put(host.root, "proc/self/mountinfo", MOUNTS)
    (proposal,) = (await basics.find_directories(host)).proposals
    assert proposal.kind == "directories"
    assert "them. Of /, /srv." in proposal.about
    usable(document(proposal))
    many = "".join(f"{n} 1 8:{n} / /srv/{n} rw - ext4 /dev/sd{n} rw\n" for n in range(10, 19))
    put(host.root, "proc/self/mountinfo", many)
    (proposal,) = (await basics.find_directories(host)).proposals
    assert "/srv/15 and 3 more." in proposal.about[1]
    put(host.root, "proc/self/mountinfo", MOUNTS.splitlines()[1])
    assert (await basics.find_directories(host)).absent == ("file systems whose directories can be walked",)
    (host.root / "proc/self/mountinfo").unlink()
    assert (await basics.find_directories(host)).unseen


async def test_file_systems_that_do_not_answer(host: Host, figures: dict[str, Figures | Exception | None]) -> None:
    """One that hangs, one that was unmounted just now and one without a size are described as such."""
    put(host.root, "proc/self/mountinfo", MOUNTS.replace("zfs", "xfs"))
    figures |= {"/": ProbeTimeout("it hangs"), "/srv": None, "/skerry": Figures(0, 0, 0, 0)}
    (proposal,) = (await basics.find_filesystems(host)).proposals
    assert proposal.about[1:4] == (
        "- / (ext4): it could not be examined (it hangs)", "- /skerry (xfs)",
        "- /skerry/two [words] (xfs): 50 % of 100 B used",
    )  # fmt: skip


async def test_hosts_without_tables(host: Host) -> None:
    """Without the kernel's tables, the report says that nothing was examined."""
    (host.root / "proc/self/mountinfo").unlink()
    (host.root / "proc/meminfo").unlink()
    assert [each.what for each in (await basics.find_filesystems(host)).unseen] == ["file systems"]
    assert [each.what for each in (await basics.find_memory(host)).unseen] == ["memory"]


async def test_memory_with_and_without_swap(host: Host) -> None:
    """The comment says how much there is."""
    (memory, itself) = (await basics.find_memory(host)).proposals
    assert memory.about[1] == "This host has 8 GiB of memory and no swap."
    put(host.root, "proc/meminfo", "MemTotal: 8388608 kB\nSwapTotal: 1048576 kB\n")
    assert "and 1 GiB of swap" in (await basics.find_memory(host)).proposals[0].about[1]
    usable(document(memory, itself))


@pytest.mark.parametrize(
    ("state", "said"),
    [
        (ClockState(0.012, 0.001, 0.0), "It may be wrong by 12 ms now"),
        (ClockState(None, 0.0, 0.0), "It is not synchronised now"),
    ],
)
async def test_the_clock(host: Host, monkeypatch: pytest.MonkeyPatch, state: ClockState, said: str) -> None:
    """The comment says whether it is synchronised."""
    monkeypatch.setattr(basics, "read_clock", lambda: state)
    (proposal,) = (await basics.find_clock(host)).proposals
    assert said in proposal.about[1]
    usable(document(proposal))


async def test_a_clock_that_does_not_tell(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the call is not allowed, this is reported."""

    def refused() -> ClockState:
        raise ProbeError("the kernel does not tell about its clock")

    monkeypatch.setattr(basics, "read_clock", refused)
    assert (await basics.find_clock(host)).unseen


def backup(root: Path, path: str, days: float, size: int) -> None:
    """A file that was written so many days ago."""
    file = put(root, path, "x" * size)
    at_s = (NOW - timedelta(days=days)).timestamp()
    os.utime(file, (at_s, at_s))


async def test_backups_in_a_usual_folder(host: Host) -> None:
    """A nightly set by its names; a file of half the smallest size counts as incomplete."""
    for n in range(8):
        backup(host.root, f"srv/backup/ringing-db/ringing-db-{n}.sql", n + 0.2, 4096 + n)
        backup(host.root, f"srv/backup/ringing-db/empty-{n}.log", n + 0.2, 0)
    backup(host.root, "srv/backup/ringing-db/notes.txt", 1, 10)
    found = await files.find(host)
    folder = f"{host.root}/srv/backup/ringing-db"
    assert [(value_of(each, "files"), value_of(each, "max_age")) for each in found.proposals] == [
        ((f"{folder}/empty-*.log",), "1d3h"),
        ((f"{folder}/ringing-db-*.sql",), "1d3h"),
    ]
    assert value_of(found.proposals[1], "min_size") == "2 KiB"
    assert found.proposals[1].things == (Thing("files", folder, "ringing-db-0.sql"),)
    assert not found.absent
    usable(document(found=found))


async def test_no_backups(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """None in the usual folders, or one of them may not be read."""
    assert (await files.find(host)).absent == ("backups and images in the usual folders",)
    (host.root / "backup").mkdir()
    assert (await files.find(host)).absent

    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(files, "list_files", refused)
    found = await files.find(replace(host))
    assert "read that folder" in found.unseen[0].remedy
    assert not found.absent


async def test_a_clock_that_only_root_may_read(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon's unit does not allow the call: the helper is asked, and without one it is not examined."""

    def refused() -> ClockState:
        raise PrivilegeMissing("adjtimex is not allowed here: Operation not permitted")

    monkeypatch.setattr(basics, "read_clock", refused)
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    (unseen,) = (await basics.find_clock(host)).unseen
    assert "no helper listens" in unseen.why
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    (proposal,) = (await basics.find_clock(host)).proposals
    assert proposal.kind == "clock"
