"""The QEMU machine protocol: against a double that speaks it, against what does not, and against a real QEMU."""

import asyncio
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.probes.machines import machine, short_folder
from tests.probes.monitors import MIB, drive, monitor, replies
from tests.support.needs import need
from watchkeeper.privileged.guests.monitor import LINE_LIMIT_BYTES, MESSAGES_LIMIT, QUESTIONS
from watchkeeper.probes.guests.qmp import Channel, Drive, Guest, MonitorBusy, NotMonitor, ask, understand


@pytest.fixture
async def path() -> Any:
    """Where a monitor's socket may be."""
    async with short_folder() as folder:
        yield folder / "hide-hub.qmp"


DISK = Drive("virtio0", "/skerry/hide-hub.raw", "ok", 32 * MIB, 4096, allocated_bytes=0)
"""The disk of the double."""


async def test_a_guest_that_runs(path: Path) -> None:
    """What a monitor says of its guest, and that nothing but the fixed questions is sent, in their order."""
    async with monitor(path, replies()) as asked:
        guest = await ask(str(path), 5)
    assert guest == Guest("hide-hub", "running", (), 64 * MIB, None, (DISK,), 1)
    assert asked == [*QUESTIONS, "qom-list", "qom-list"]
    assert all(question == "qmp_capabilities" or question.startswith("query-") for question in QUESTIONS)


async def test_events_come_between(path: Path) -> None:
    """Events before a reply are passed over."""
    async with monitor(path, replies(), events=3):
        assert (await ask(str(path), 5)).name == "hide-hub"


async def test_events_without_end(path: Path) -> None:
    """A peer that sends events and never replies is not listened to without a bound."""
    async with monitor(path, replies(), events=MESSAGES_LIMIT):
        with pytest.raises(NotMonitor, match="only events and no reply"):
            await ask(str(path), 20)


def test_disks_in_trouble() -> None:
    """A disk without space and one with another error are named; one that has no io-status is not in trouble."""
    drives = [drive("nospace"), drive("failed", device="", file=""), drive(None), drive("ok")]
    guest = understand(replies(state="io-error", drives=drives))
    assert [(each.name, each.file, each.io_status) for each in guest.failing] == [
        ("virtio0", "/skerry/hide-hub.raw", "nospace"),
        ("peripheral-anon/device[0]/virtio-backend", "", "failed"),
    ]


def test_memory_that_is_plugged_in_and_a_balloon() -> None:
    """Plugged-in memory counts as promised; what the balloon leaves is told beside it."""
    told = {
        **replies(),
        "query-memory-size-summary": {"return": {"base-memory": 64 * MIB, "plugged-memory": 32 * MIB}},
        "query-balloon": {"return": {"actual": 48 * MIB}},
    }
    guest = understand(told)
    assert (guest.promised_bytes, guest.granted_bytes) == (96 * MIB, 48 * MIB)


def test_an_old_qemu_that_does_not_tell_about_memory() -> None:
    """A question that this QEMU does not know, or answers with rubbish, leaves only its own answer open."""
    unknown = {"error": {"class": "CommandNotFound", "desc": "The command is not known"}}
    for reply in (unknown, {"return": {"base-memory": "much"}}, {"return": None}, 7):
        assert understand({**replies(), "query-memory-size-summary": reply}).promised_bytes is None


@pytest.mark.parametrize(
    ("question", "reply", "why"),
    [
        ("query-status", {"error": {"class": "GenericError", "desc": "not now"}}, "refused query-status: not now"),
        ("query-status", {"error": "odd"}, "no reply"),
        ("query-status", None, "no reply"),
        ("query-status", {"return": {"status": 7}}, "is not valid"),
        ("query-status", {"return": {"status": "x" * 1000}}, "is not valid"),
        ("query-name", {"return": []}, "is not valid"),
        ("query-block", {"return": {"a": 1}}, "is not valid"),
        ("query-block", {"return": [{"io-status": []}]}, "is not valid"),
    ],
)
def test_replies_that_make_no_sense(question: str, reply: Any, why: str) -> None:
    """A reply that is refused or has another form than it should is told as such."""
    with pytest.raises(NotMonitor, match=why):
        understand({**replies(), question: reply})


@pytest.mark.parametrize(
    "first",
    [
        b"220 mail.test ready\r\n",
        b'{"hello": 1}\r\n',
        b"[1, 2]\r\n",
        b"\xff\xfe\r\n",
        b"[" * 200_000 + b"\r\n",
        b"x" * (LINE_LIMIT_BYTES + 100),
    ],
)
async def test_what_does_not_speak_the_protocol(path: Path, first: bytes) -> None:
    """Another service, bytes that are no JSON, nesting without end and a line without end are no monitor."""
    async with monitor(path, replies(), first=first):
        with pytest.raises(NotMonitor):
            await ask(str(path), 5)


async def test_a_monitor_that_closes(path: Path) -> None:
    """A connection that ends in the middle is an error of the connection."""
    async with monitor(path, {"qmp_capabilities": {"return": {}}}):
        with pytest.raises(ConnectionResetError):
            await ask(str(path), 5)


async def test_a_monitor_that_says_nothing(path: Path) -> None:
    """A monitor that is in another program's hands takes the connection and stays silent."""
    async with monitor(path, {}, first=b" "):
        with pytest.raises(MonitorBusy, match="another program uses it"):
            await ask(str(path), 0.2)


async def test_the_disks_of_a_real_guest(path: Path, tmp_path: Path) -> None:
    """What it can write to: an overlay by its own file and not its backing, a -blockdev raw file; and its CPUs."""
    base, hub, cams = (tmp_path / name for name in ("base.qcow2", "hide hub,1.qcow2", "cams.raw"))
    need(shutil.which("qemu-img"), "qemu-img is not installed: no overlay can be made")
    for argv in (["-f", "qcow2", base, "64M"], ["-f", "qcow2", "-b", base, "-F", "qcow2", hub]):
        subprocess.run(["qemu-img", "create", "-q", *map(str, argv)], check=True, timeout=60)  # noqa: ASYNC221  nothing else runs
    cams.write_bytes(bytes(2 * MIB))
    raw = {"driver": "raw", "node-name": "cams", "file": {"driver": "file", "filename": str(cams)}}
    options = ["-drive", f"file={str(hub).replace(',', ',,')},if=virtio,format=qcow2", "-smp", "2"]
    options += ["-blockdev", json.dumps(raw), "-device", "virtio-blk-pci,drive=cams,id=cams"]
    options += ["-drive", "file=null-co://,read-only=on,format=raw,if=virtio"]
    async with machine(path, "hide-hub", "-S", *options):
        guest = await ask(str(path), 20)
    assert {(disk.file, disk.size_bytes, disk.written_bytes) for disk in guest.disks} == {
        (str(hub), 64 * MIB, 0),
        (str(cams), 2 * MIB, 0),
    }
    assert guest.vcpus == 2


@pytest.mark.parametrize(
    ("told", "file"),
    [
        ('json:{"driver": "qcow2", "file": {"driver": "file", "filename": "/srv/a b.qcow2"}}', "/srv/a b.qcow2"),
        ('json:{"driver": "throttle", "file": {"driver": "raw", "file": {"filename": "/dev/vg0/x"}}}', "/dev/vg0/x"),
        ('json:{"driver": "null-co", "size": 1}', 'json:{"driver": "null-co", "size": 1}'),
        ("json:[", "json:["),
        ("/srv/json:a", "/srv/json:a"),
    ],
)
def test_the_file_of_a_disk_that_is_told_by_its_options(told: str, file: str) -> None:
    """QEMU writes a node's options where it has no plain path for it (qemu-block-drivers(7), pseudo protocol json)."""
    (disk,) = understand(replies(drives=[drive(file=told)])).disks
    assert disk.file == file


def test_a_disk_that_is_read_only_and_a_drive_without_a_medium_are_none() -> None:
    """A plan counts what can be written."""
    disc = drive(device="cd0")
    disc["inserted"]["ro"] = True
    empty = drive(device="cd1")
    del empty["inserted"]
    assert understand(replies(drives=[disc, empty])).disks == ()


def test_an_older_qemu_says_less() -> None:
    """Without the two questions, or with senseless replies to them, the rest is understood all the same."""
    told = {**replies(), "query-cpus-fast": {"error": {}}, "query-blockstats": {"return": {"a": 1}}}
    guest = understand(told)
    assert (guest.vcpus, guest.disks[0].written_bytes, guest.state) == (None, None, "running")


async def test_nobody_is_there(path: Path) -> None:
    """A path without a socket is told by the system's own error."""
    with pytest.raises(FileNotFoundError):
        await ask(str(path), 1)


async def test_a_real_guest(path: Path) -> None:
    """A real QEMU, stopped before its first instruction: name, state and memory are what it was started with."""
    async with machine(path, "hide-hub", "-S"):
        guest = await ask(str(path), 20)
        assert guest == Guest(
            "hide-hub", "prelaunch", (), 64 * MIB, None, vcpus=1, channels=(Channel(str(path), open=True),)
        )
        # It serves one client at a time, and has closed our connection at once: the next look works as well.
        assert (await ask(str(path), 20)).name == "hide-hub"
        reader, writer = await asyncio.open_unix_connection(path)
        assert "QMP" in json.loads(await reader.readline())
        with pytest.raises(MonitorBusy):
            await ask(str(path), 0.3)
        writer.close()


@pytest.mark.parametrize(("number", "status"), [(28, "nospace"), (5, "failed")])
async def test_a_real_guest_that_stops_on_an_error(path: Path, number: int, status: str) -> None:
    """A real QEMU whose disk gives ENOSPC or EIO when the firmware reads it stops on the I/O error, and says why."""
    disk = path.with_name("hide-hub.raw")
    disk.write_bytes(bytes(MIB))
    injected = {
        "driver": "blkdebug", "node-name": "d0", "image": {"driver": "file", "filename": str(disk)},
        "inject-error": [{"event": "none", "iotype": "read", "errno": number}],
    }  # fmt: skip
    options = ("-blockdev", json.dumps(injected), "-device", "virtio-blk-pci,drive=d0,rerror=stop,werror=stop")
    async with machine(path, "hide-hub", *options):
        async with asyncio.timeout(25):
            while (guest := await ask(str(path), 30)).state == "running":  # noqa: ASYNC110  another process's state
                await asyncio.sleep(0.1)
    assert guest.state == "io-error"
    (failing,) = guest.failing
    assert failing.io_status == status
    assert "virtio-backend" in failing.name
