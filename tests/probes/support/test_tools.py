"""Running tools and asking root's side, and the errors that come of it."""

import asyncio
import os
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.probes.toolbox import Toolbox, sample, utc
from watchkeeper.errors import PrivilegeMissing, ProbeError, ProbeTimeout, StillHanging, ToolMissing
from watchkeeper.privileged import commands, protocol
from watchkeeper.privileged import process as running
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support import tools
from watchkeeper.probes.support.tools import ask_root, read_ctime, result_of, run_tool, sight, text_of


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """Stand-ins for the system's tools."""
    return Toolbox(tmp_path, monkeypatch)


@pytest.fixture
def ordinary(monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemon is not root, whoever runs the tests."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)


Listen = Callable[[Callable[[socket.socket], None]], Path]


@pytest.fixture
def listen(tmp_path: Path) -> Iterator[Listen]:
    """Listens on a socket as the service manager does, and serves one caller with a function."""
    threads: list[threading.Thread] = []
    with socket.socket(socket.AF_UNIX) as listening:

        def begin(serve: Callable[[socket.socket], None]) -> Path:
            path = tmp_path / "helper.sock"
            listening.bind(str(path))
            listening.settimeout(30)
            listening.listen()
            threads.append(threading.Thread(target=lambda: accept(serve)))
            threads[0].start()
            return path

        def accept(serve: Callable[[socket.socket], None]) -> None:
            connection, _ = listening.accept()
            connection.settimeout(30)
            with connection:
                serve(connection)

        yield begin
        for thread in threads:
            thread.join(30)


def saying(said: bytes) -> Callable[[socket.socket], None]:
    """A helper that hears its caller out, and says this."""

    def serve(connection: socket.socket) -> None:
        connection.recv(100)
        connection.sendall(said)

    return serve


async def test_a_tool_that_ends_well(bench: ProbeContext, toolbox: Toolbox) -> None:
    """What it prints comes back as text, with odd bytes kept."""
    toolbox.says("zfs", "skerry/\udcff\n")
    assert await run_tool(bench, ("zfs", "list"), 10.0) == "skerry/\udcff\n"


async def test_a_tool_that_is_missing(bench: ProbeContext, toolbox: Toolbox) -> None:
    """The error names the tool, its package and the remedy."""
    assert toolbox.folder.is_dir()
    with pytest.raises(ToolMissing, match=r"zfs is not installed; install it \(in Debian: zfsutils-linux\)"):
        await run_tool(bench, ("zfs", "list"), 10.0)


async def test_a_tool_that_cannot_be_started(bench: ProbeContext, toolbox: Toolbox) -> None:
    """It is there, and is no program."""
    (toolbox.folder / "zfs").write_text("")
    with pytest.raises(ProbeError, match="zfs cannot be started: Permission denied"):
        await run_tool(bench, ("zfs", "list"), 10.0)


async def test_a_tool_that_hangs(bench: ProbeContext, toolbox: Toolbox) -> None:
    """It is ended in time, and asked again the next time: it did come back."""
    toolbox.put("zfs", "sleep 60")
    for _ in range(2):
        with pytest.raises(ProbeTimeout, match="zfs did not end within 1s"):
            await run_tool(bench, ("zfs", "list"), 1.0)


async def test_a_tool_that_cannot_be_ended(
    bench: ProbeContext, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that waits in the kernel ignores even SIGKILL: the call is left behind, and no second one begun."""
    come_back = threading.Event()
    monkeypatch.setattr(running, "run", lambda *_args, **_more: come_back.wait(60) and Completed(0))
    monkeypatch.setattr(tools, "ABANDON_S", 0.05)
    assert toolbox.folder.is_dir()
    with pytest.raises(ProbeTimeout, match="zfs list did not answer"):
        await run_tool(bench, ("zfs", "list"), 0.05)
    with pytest.raises(StillHanging):
        await run_tool(bench, ("zfs", "list"), 0.05)
    come_back.set()


async def test_a_tool_that_prints_too_much(bench: ProbeContext, toolbox: Toolbox) -> None:
    """Half an answer is none."""
    toolbox.put("zfs", "yes")
    with pytest.raises(ProbeError, match="more than 4 MiB"):
        await run_tool(bench, ("zfs", "list"), 30.0)


@pytest.mark.parametrize(
    ("name", "kind", "words"),
    [
        ("zpool-status-missing.txt", ProbeError, "ended with status 1: cannot open 'nosuchpool': no such pool"),
        (
            "guest-lvs-reportformat-json.txt",
            PrivilegeMissing,
            "/run/lock/lvm/P_global:aux: open failed: Permission denied",
        ),
        ("guest-dmsetup-status.txt", PrivilegeMissing, "/dev/mapper/control: open failed: Permission denied"),
        (
            "guest-btrfs-subvolume-list-s-data.txt",
            PrivilegeMissing,
            "can't perform the search: Operation not permitted",
        ),
    ],
)
def test_what_a_tool_says_when_it_fails(name: str, kind: type[ProbeError], words: str) -> None:
    """Real refusals: a missing privilege is told from a fault, and a mere warning is not taken for the reason."""
    with pytest.raises(kind) as raised:
        text_of(sample(name).ran, "tool", 10.0)
    assert words in str(raised.value)
    assert type(raised.value) is kind


def test_a_tool_that_fails_without_a_word() -> None:
    """It is said that there was none; one that only warned is quoted."""
    with pytest.raises(ProbeError, match="status 5: no reason given"):
        text_of(Completed(5), "lvs", 10.0)
    with pytest.raises(ProbeError, match="status 5: WARNING: odd"):
        text_of(Completed(5, stderr=b"  WARNING: odd\n"), "lvs", 10.0)


def test_a_status_that_is_no_fault() -> None:
    """Where the caller knows what it means, the output is used."""
    assert text_of(Completed(4, b"said"), "smartctl", 10.0, ends_well=(0, 4)) == "said"


def test_an_unknown_tool_has_no_package() -> None:
    """The remedy leaves out what is not known."""
    with pytest.raises(ToolMissing, match="install it, or remove"):
        text_of(Completed(None, missing=True), "tool", 10.0)


async def test_root_asks_itself(bench: ProbeContext, toolbox: Toolbox, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the daemon is root already, no helper is needed."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    toolbox.says("vgs", "groups")
    assert result_of(await ask_root(bench, "lvm", tools.SOCKET, 10.0), "vgs", 10.0) == "groups"

    def fail(_name: str) -> list[Result]:
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(commands, "collect", fail)
    with pytest.raises(ProbeError, match="Cannot allocate memory"):
        await ask_root(bench, "lvm", tools.SOCKET, 10.0)


async def test_root_does_not_wait_for_itself_either(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """A command that cannot be ended is left behind, and not begun again."""
    come_back = threading.Event()
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(commands, "collect", lambda _name: come_back.wait(60) and [])
    with pytest.raises(ProbeTimeout):
        await ask_root(bench, "lvm", tools.SOCKET, 0.05)
    with pytest.raises(StillHanging):
        await ask_root(bench, "lvm", tools.SOCKET, 0.05)
    come_back.set()


@pytest.mark.usefixtures("ordinary")
async def test_the_helper_answers(bench: ProbeContext, toolbox: Toolbox, listen: Listen) -> None:
    """Over a real socket, through the code of root's side, from a tool that fails."""
    toolbox.says("vgs", "groups", status=3, stderr="but badly")
    helper = listen(protocol.serve)
    lvs, vgs, _ = await ask_root(bench, "lvm", helper, 30.0)
    assert lvs == Result("lvs", Completed(None, missing=True))
    assert vgs == Result("vgs", Completed(3, b"groups", b"but badly"))


@pytest.mark.usefixtures("ordinary")
async def test_no_helper_is_there(bench: ProbeContext, tmp_path: Path) -> None:
    """The error says what is missing and how to get it, whether the socket is absent or nobody listens any more."""
    helper = tmp_path / "helper.sock"
    with pytest.raises(
        PrivilegeMissing, match=r"needs root, and no helper listens on .*helper.sock; start watchkeeper"
    ):
        await ask_root(bench, "volumes", helper, 10.0)
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(helper))
    with pytest.raises(PrivilegeMissing, match="no helper listens"):
        await ask_root(bench, "volumes", helper, 10.0)


@pytest.mark.usefixtures("ordinary")
async def test_the_helper_may_not_be_spoken_to(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """The socket belongs to a group that the daemon is not in."""

    async def refuse(_path: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(asyncio, "open_unix_connection", refuse)
    with pytest.raises(PrivilegeMissing, match="add it to the group"):
        await ask_root(bench, "volumes", tools.SOCKET, 10.0)


@pytest.mark.usefixtures("ordinary")
async def test_the_helper_is_no_socket(bench: ProbeContext, tmp_path: Path) -> None:
    """Whatever else goes wrong on the way is told with the path."""
    (tmp_path / "file").write_text("")
    with pytest.raises(PrivilegeMissing, match="no helper listens"):
        await ask_root(bench, "volumes", tmp_path / "file", 10.0)
    with pytest.raises(ProbeError, match="cannot be reached at"):
        await ask_root(bench, "volumes", tmp_path / "file" / "below", 10.0)


@pytest.mark.usefixtures("ordinary")
async def test_the_helper_does_not_answer(bench: ProbeContext, listen: Listen) -> None:
    """Nobody waits for it longer than the look may take."""
    done = threading.Event()
    helper = listen(lambda _connection: (done.wait(60), None)[1])
    with pytest.raises(ProbeTimeout, match="the helper did not answer within 1s"):
        await ask_root(bench, "volumes", helper, 1.0)
    done.set()


@pytest.mark.usefixtures("ordinary")
@pytest.mark.parametrize("said", [b"", b"{}", b'{"form": 9}', b'{"form": 1, "error": "this name"}'])
async def test_the_helper_says_what_is_no_answer(bench: ProbeContext, listen: Listen, said: bytes) -> None:
    """An older or newer one, or one that was ended half way."""
    helper = listen(saying(said))
    with pytest.raises(ProbeError, match="the helper cannot answer about volumes"):
        await ask_root(bench, "volumes", helper, 30.0)


@pytest.mark.usefixtures("ordinary")
async def test_the_helper_says_too_much(bench: ProbeContext, listen: Listen, monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer without an end is not taken in."""
    monkeypatch.setattr(protocol, "ANSWER_LIMIT_BYTES", 1000)
    helper = listen(saying(b"x" * 2000))
    with pytest.raises(ProbeError, match="its answer is too long"):
        await ask_root(bench, "volumes", helper, 30.0)


def test_a_command_that_is_run_once_has_one_result() -> None:
    """Anything else is a helper of another version."""
    with pytest.raises(ProbeError, match="2 times, expected once"):
        result_of([Result("lvs", Completed(0)), Result("lvs", Completed(0))], "lvs", 10.0)


def test_what_cannot_be_seen_is_told_once() -> None:
    """Three tools of one missing package are three reasons; the same one twice is one."""
    seen = sight("zfs", [ToolMissing("a"), ToolMissing("a"), ProbeError("b")])
    assert (str(seen.key), seen.ok, seen.reason) == ("probe zfs: sees all", False, "a; b")
    assert sight("zfs", []).ok


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Sun Nov 22 00:24:02 2026", utc("2026-11-22 00:24:02")),
        ("Mon Feb  1 02:03:60 2027", utc("2027-02-01 02:03:59")),
        ("So Nov 22 00:24:02 2026", utc("2026-11-22 00:24:02")),
        ("Sun Mai 22 00:24:02 2026", None),
        ("Sun Nov 32 00:24:02 2026", None),
        ("Sun Nov 22 00:24 2026", None),
        ("", None),
    ],
)
def test_the_c_librarys_own_form_of_a_time(text: str, expected: object) -> None:
    """asctime(3): in English, and nothing is guessed where it is not; a leap second counts as the one before."""
    assert read_ctime(text) == expected
