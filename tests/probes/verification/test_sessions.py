"""The program behind a socket, as systemd starts it: by systemd-socket-activate(1), with the unit's own command."""

import asyncio
import gzip
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

from tests.support.needs import need
from tests.support.waiting import until
from watchkeeper.clock import Clock
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.probes.verification import sessions
from watchkeeper.probes.verification.outcomes import Verdict
from watchkeeper.probes.verification.reader import Reader, Result

UNIT = Path("deploy/systemd/watchkeeper-reader@.service").read_text()


@pytest.fixture
def context(workers: ThreadWorkers) -> ProbeContext:
    """What closing needs."""
    return ProbeContext(Clock(), workers, MemoryStateStore())


@pytest.fixture
def activated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[psutil.Process]:
    """What listens, and starts the unit's command for each connection with the connection as its input and output."""
    need(shutil.which("systemd-socket-activate"), "systemd-socket-activate is not installed")
    (command,) = re.findall(r"^ExecStart=/opt/watchkeeper/\.venv/bin/python (.*)$", UNIT, re.MULTILINE)
    path = tmp_path / "reader.sock"
    with subprocess.Popen(
        ["systemd-socket-activate", "--listen", path, "--accept", "--inetd", sys.executable, *command.split()],
        stderr=subprocess.DEVNULL,
    ) as process:
        try:
            until("the socket", path.exists)
            monkeypatch.setattr(sessions, "SOCKET", path)
            yield psutil.Process(process.pid)
        finally:
            process.terminate()
            process.wait(30)


async def result(reader: Reader) -> Result:
    """The answer, granted time as often as it is needed."""
    for _ in range(600):
        found = reader.poll()
        if found is not None:
            return found
        reader.grant(20)
        await asyncio.sleep(0.05)
    raise AssertionError("no answer")


async def test_a_file_is_read_by_the_program_of_the_unit(
    activated: psutil.Process, tmp_path: Path, context: ProbeContext
) -> None:
    """The answers are those of a child; no child of this process is started; it ends with the connection."""
    mine = {each.pid for each in psutil.Process().children()}
    whole, cut = tmp_path / "hub-1.gz", tmp_path / "h\udcff\n2.gz"
    whole.write_bytes(gzip.compress(os.urandom(200_000)))
    cut.write_bytes(whole.read_bytes()[:-100])
    for path, verdict in ((whole, Verdict.WHOLE), (cut, Verdict.DAMAGED)):
        reader = Reader(str(path))
        found = await result(reader)
        assert (found.verdict, found.formats) == (verdict, ("gzip",))
        assert reader.of == path.stat().st_size
        await reader.close(context)
    left = Reader(str(whole))
    until("the program", activated.children)
    assert {each.pid for each in psutil.Process().children()} == mine
    await left.close(context)
    until("its end", lambda: not [each for each in activated.children() if each.status() != psutil.STATUS_ZOMBIE])


async def test_a_program_of_the_unit_that_is_killed(
    activated: psutil.Process, tmp_path: Path, context: ProbeContext
) -> None:
    """Nothing is said about the file; what to read is named."""
    file = tmp_path / "hub-1.gz"
    file.write_bytes(gzip.compress(b"hub"))
    reader = Reader(str(file))
    until("the program", activated.children)
    for each in activated.children():
        each.send_signal(signal.SIGKILL)
    found = await result(reader)
    assert found.verdict is Verdict.UNKNOWN
    assert found.detail == (
        "the program that reads it ended without a result; see: journalctl -u 'watchkeeper-reader@*'"
    )
    await reader.close(context)


async def test_a_program_that_prints_without_an_end(
    tmp_path: Path, context: ProbeContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither way takes more at once than is bounded; what is longer than an answer is thrown away."""
    monkeypatch.setattr(sessions, "SOCKET", tmp_path / "none.sock")
    monkeypatch.setattr(sessions, "GENTLE", ("sh", "-c", "exec yes"))
    reader = Reader("/srv/backup/hub-1.gz")
    for _ in range(20):
        assert reader.poll() is None
    await reader.close(context)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "endless.sock"))
        listening.listen()
        monkeypatch.setattr(sessions, "SOCKET", tmp_path / "endless.sock")
        reader = Reader("/srv/backup/hub-1.gz")
        accepted, _ = listening.accept()
        with accepted:
            accepted.setblocking(False)
            for _ in range(20):
                with suppress(BlockingIOError):
                    accepted.send(b"nonsense\n" * 100_000)
                assert reader.poll() is None
        assert (await result(reader)).verdict is Verdict.UNKNOWN
        await reader.close(context)
