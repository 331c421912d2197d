"""The QEMU machine protocol: against a double that speaks it, against what does not, and against a real QEMU."""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from tests.probes.machines import machine, short_folder
from tests.probes.monitors import MIB, drive, monitor, replies
from watchkeeper.privileged.monitor import LINE_LIMIT_BYTES, MESSAGES_LIMIT, QUESTIONS
from watchkeeper.probes.qmp import Drive, Guest, MonitorBusy, NotMonitor, ask, understand


@pytest.fixture
async def path() -> Any:
    """Where a monitor's socket may be."""
    async with short_folder() as folder:
        yield folder / "hide-hub.qmp"


async def test_a_guest_that_runs(path: Path) -> None:
    """What a monitor says of its guest, and that nothing but the fixed questions is sent, in their order."""
    async with monitor(path, replies()) as asked:
        guest = await ask(str(path), 5)
    assert guest == Guest("hide-hub", "running", (), 64 * MIB, None)
    assert asked == list(QUESTIONS)
    assert all(question == "qmp_capabilities" or question.startswith("query-") for question in asked)


async def test_events_come_between(path: Path) -> None:
    """Events before a reply are passed over."""
    async with monitor(path, replies(), events=3):
        assert (await ask(str(path), 5)).name == "hide-hub"


async def test_events_without_end(path: Path) -> None:
    """A peer that sends events and never replies is not listened to for ever."""
    async with monitor(path, replies(), events=MESSAGES_LIMIT):
        with pytest.raises(NotMonitor, match="events without end"):
            await ask(str(path), 20)


def test_disks_in_trouble() -> None:
    """A disk without space and one with another error are named; one that has no io-status is not in trouble."""
    drives = [drive("nospace"), drive("failed", device="", file=""), drive(None), drive("ok")]
    guest = understand(replies(state="io-error", drives=drives))
    assert guest.failing == (
        Drive("virtio0", "/skerry/hide-hub.raw", "nospace"),
        Drive("peripheral-anon/device[0]/virtio-backend", "", "failed"),
    )


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
        ("query-status", {"error": {"class": "GenericError", "desc": "not now"}}, "refuses query-status: not now"),
        ("query-status", {"error": "odd"}, "it gave no reply"),
        ("query-status", None, "it gave no reply"),
        ("query-status", {"return": {"status": 7}}, "makes no sense"),
        ("query-status", {"return": {"status": "x" * 1000}}, "makes no sense"),
        ("query-name", {"return": []}, "makes no sense"),
        ("query-block", {"return": {"a": 1}}, "makes no sense"),
        ("query-block", {"return": [{"io-status": []}]}, "makes no sense"),
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
        with pytest.raises(MonitorBusy, match="another program holds it"):
            await ask(str(path), 0.2)


async def test_nobody_is_there(path: Path) -> None:
    """A path without a socket is told by the system's own error."""
    with pytest.raises(FileNotFoundError):
        await ask(str(path), 1)


async def test_a_real_guest(path: Path) -> None:
    """A real QEMU, stopped before its first instruction: name, state and memory are what it was started with."""
    async with machine(path, "hide-hub", "-S"):
        guest = await ask(str(path), 20)
        assert guest == Guest("hide-hub", "prelaunch", (), 64 * MIB, None)
        # It serves one client at a time, and let go of us at once: the next look works as well.
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
