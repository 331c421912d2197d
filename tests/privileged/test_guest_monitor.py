"""Root's questions to a guest's monitor, and which monitors it asks."""

import asyncio
import glob
import json
import os
import socket
import stat
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from tests.probes.machines import machine, short_folder
from tests.probes.monitors import monitor, replies
from tests.support.needs import need
from watchkeeper.privileged import commands
from watchkeeper.privileged.guests import monitor as roots
from watchkeeper.probes.guests.qmp import Channel, Guest, NotMonitor, read_printed, understand


@pytest.fixture
async def folder() -> AsyncIterator[Path]:
    """Where the guests' sockets are."""
    async with short_folder() as made:
        yield made


async def ask(path: Path) -> dict[str, Any]:
    """Ask from a thread, as the program does from its main one."""
    return dict(await asyncio.to_thread(roots.ask, str(path)))


async def test_the_same_as_the_daemon_would_hear(folder: Path) -> None:
    """The whole replies are printed, events between are passed over, and only the fixed questions are sent."""
    told = replies("hide-hub")
    async with monitor(folder / "a.qmp", told, events=2) as asked:
        heard = await ask(folder / "a.qmp")
    assert asked == [*roots.QUESTIONS, "qom-list", "qom-list"]
    assert {question: {k: v for k, v in reply.items() if k != "id"} for question, reply in heard.items()} == {
        **{question: reply for question, reply in told.items() if question != "qom-list"},
        **{f"qom-list {path}": told["qom-list"] for path in roots.DEVICES},
    }
    guest = read_printed(json.dumps(heard).encode())
    assert (guest.name, guest.state, guest.promised_bytes, guest.vcpus) == ("hide-hub", "running", 64 * 2**20, 1)


@pytest.mark.parametrize(
    "first", [b"220 mail.test\r\n", b'{"hello": 1}\n', b"[]\n", b"x" * (roots.LINE_LIMIT_BYTES + 70_000)]
)
async def test_nothing_is_sent_to_what_is_no_monitor(folder: Path, first: bytes) -> None:
    """A peer that does not greet as a monitor hears nothing from root."""
    async with monitor(folder / "a.qmp", replies(), first=first) as asked:
        with pytest.raises(ValueError):
            await ask(folder / "a.qmp")
    assert asked == []


async def test_trouble(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A monitor that closes, that sends events without end, and that says nothing at all."""
    async with monitor(folder / "a.qmp", {}):
        with pytest.raises(ValueError, match="closed the connection"):
            await ask(folder / "a.qmp")
    monkeypatch.setattr(roots, "MESSAGES_LIMIT", 5)
    async with monitor(folder / "b.qmp", replies(), events=9):
        with pytest.raises(ValueError, match="without end"):
            await ask(folder / "b.qmp")
    monkeypatch.setattr(roots, "PATIENCE_S", 0.1)
    async with monitor(folder / "c.qmp", {}, first=b" "):
        with pytest.raises(TimeoutError):
            await ask(folder / "c.qmp")


async def test_as_a_program(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """It prints JSON and ends well, or says why not on standard error and ends with 1."""
    monkeypatch.setattr(sys, "argv", ["monitor", str(folder / "a.qmp")])
    async with monitor(folder / "a.qmp", replies("tide-log")):
        assert await asyncio.to_thread(roots.main) == 0
    assert json.loads(capsys.readouterr().out)["query-name"]["return"] == {"name": "tide-log"}
    (folder / "a.qmp").unlink(missing_ok=True)
    assert roots.main() == 1
    assert capsys.readouterr().err == "No such file or directory\n"


def patterns(path: Path, monkeypatch: pytest.MonkeyPatch, text: str, mode: int = 0o644) -> None:
    """Put down which monitors root asks."""
    path.write_text(text)
    path.chmod(mode)
    monkeypatch.setattr(commands, "MONITORS", path)


async def test_a_real_guest_through_the_list(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The entry of the fixed list asks a real QEMU, as a program of its own, and its answer is understood."""
    need(os.geteuid() == 0, "the file of patterns must belong to root")
    patterns(folder / "guest-monitors", monkeypatch, f"# guests\n{folder}/*.qmp\nrelative/*\n")
    async with machine(folder / "hub.qmp", "hide-hub", "-S"):
        (result,) = await asyncio.to_thread(commands.collect, "guests")
    assert result.target == f"{folder}/hub.qmp"
    assert read_printed(result.ran.stdout) == Guest(
        "hide-hub", "prelaunch", (), 64 * 2**20, vcpus=1, channels=(Channel(f"{folder}/hub.qmp", open=True),)
    )


def test_only_sockets(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files, links and what is gone are not asked; without a file of patterns there is nobody to ask."""
    need(os.geteuid() == 0, "the file of patterns must belong to root")
    monkeypatch.setattr(commands, "MONITORS", folder / "nothing")
    assert commands.monitors() == commands.Targets()
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(folder / "-a b.qmp"))
    (folder / "file.qmp").touch()
    (folder / "link.qmp").symlink_to(folder / "-a b.qmp")
    patterns(folder / "list", monkeypatch, f"{folder}/*.qmp\n")
    assert [target.name for target in commands.monitors().found] == [f"{folder}/-a b.qmp"]
    monkeypatch.setattr(glob, "iglob", lambda _: [f"{folder}/gone.qmp"])
    assert commands.monitors().found == ()


def test_a_list_that_others_may_write(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Root trusts no file that somebody else may change."""
    patterns(folder / "list", monkeypatch, "/run/*.qmp\n", mode=0o666)
    assert stat.S_IMODE((folder / "list").stat().st_mode) == 0o666
    failed = commands.monitors().failed
    assert failed is not None
    assert b"must belong to root, with mode 0644" in failed.stderr


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b"[" * 100_000])
def test_what_was_printed_makes_no_sense(text: bytes) -> None:
    """The daemon trusts root's side no further than its JSON."""
    with pytest.raises(NotMonitor):
        read_printed(text)


def test_it_needs_nothing_but_the_standard_library() -> None:
    """What runs as root imports nothing else: it is started in a Python without any packages."""
    script = "import sys; sys.path.insert(0, sys.argv[1]); import watchkeeper.privileged.guests.monitor; print('alone')"
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", script, str(root)], capture_output=True, check=False, timeout=60
    )
    assert done.stdout == b"alone\n", done.stderr


async def test_a_link_that_comes_after_the_look_is_not_followed(folder: Path) -> None:
    """Whoever owns the folder could lead root to another socket, or have it open a file: nothing is connected to."""
    async with monitor(folder / "a.qmp", replies()) as asked:
        (folder / "link.qmp").symlink_to("a.qmp")
        (folder / "file.qmp").touch()
        for name in ("link.qmp", "file.qmp"):
            with pytest.raises(ValueError, match="it is no socket"):
                await ask(folder / name)
        assert asked == []
        await ask(folder / "a.qmp")
    assert asked


async def test_the_statistics_of_a_real_balloon(folder: Path) -> None:
    """They are asked of the balloon that QEMU lists, with and without an id; there are none, as no system runs."""
    for number, options in enumerate(("virtio-balloon-pci", "virtio-balloon-pci,id=balloon0")):
        path = folder / f"{number}.qmp"
        async with machine(path, "hide-hub", "-S", "-device", "virtio-serial", "-device", options):
            heard = await ask(path)
        assert heard["guest-stats"]["return"]["last-update"] == 0
        assert understand(heard).inside is None


@pytest.mark.parametrize(
    "listed",
    [None, {}, [7], [{"name": 7}], [{"name": "a/../b", "type": "child<virtio-balloon-pci>"}], [{"type": "child<usb>"}]],
)
def test_devices_that_are_no_balloon(listed: object) -> None:
    """Nothing more is asked."""
    replies = {f"qom-list {path}": {"return": listed} for path in roots.DEVICES}
    asked = [message["execute"] for _, message in roots.messages(replies)]
    assert asked == [*roots.QUESTIONS, "qom-list", "qom-list"]
