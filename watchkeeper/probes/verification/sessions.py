"""Starts the program that reads one file, in one of two ways, and passes lines to it and from it. Never waits for it.

Through the socket of a unit (deploy/systemd/watchkeeper-reader.socket), so that systemd gives it the lowest priorities
and no network; or as a child of this process where there is no such socket. Not here: what the lines say (reader.py).
"""

import os
import socket
import subprocess
import sys
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Protocol

from watchkeeper.errors import ProbeError
from watchkeeper.os_errors import explained
from watchkeeper.privileged.descendants import start
from watchkeeper.privileged.process import end, environment
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.verification.sinks import PATH

SOCKET = Path("/run/watchkeeper-reader.sock")
"""Where deploy/systemd/watchkeeper-reader.socket listens."""

GENTLE = ("nice", "-n", "19", "ionice", "--ignore", "--class", "idle")
"""nice(1) and ionice(1), idle class of ioprio_set(2). Both go on where the kernel refuses."""

PROGRAM = (sys.executable, "-I", "-m", "watchkeeper.probes.verification.program")

PART, PARTS = 65_536, 16
"""Bytes that are taken at once, and how often in one call: a program that prints without an end delays nothing."""

END_S = 10.0


class Session(Protocol):
    """A running program."""

    def send(self, line: bytes) -> None:
        """Pass a line to it. One that has ended gets nothing; `ended` says so."""

    def take(self) -> bytes:
        """What it has printed since the last call."""

    def ended(self) -> str | None:
        """How it ended; None while it runs."""

    async def close(self, context: ProbeContext, name: str) -> None:
        """End it. name: of the file, for messages."""


def open_session() -> Session:
    """The program, of the unit or of our own. Raises ProbeError if it cannot be started."""
    connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
    connection.setblocking(False)
    try:
        connection.connect(os.fspath(SOCKET))
    except OSError:  # no such unit, or one of another installation
        connection.close()
        return _Child()
    return _Unit(connection)


class _Unit:
    """A program that systemd has started for this connection. It ends when the connection does."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._closed = False

    def send(self, line: bytes) -> None:
        with suppress(OSError):
            self._connection.sendall(line)

    def take(self) -> bytes:
        parts: list[bytes] = []
        with suppress(BlockingIOError):
            while not self._closed and len(parts) < PARTS:
                parts.append(self._part())
                self._closed = not parts[-1]
        return b"".join(parts)

    def _part(self) -> bytes:
        try:
            return self._connection.recv(PART)
        except ConnectionError:
            return b""

    def ended(self) -> str | None:
        return "without a result; see: journalctl -u 'watchkeeper-reader@*'" if self._closed else None

    async def close(self, _context: ProbeContext, _name: str) -> None:
        """It sees the end of its input when its time is used up, and systemd ends what it started."""
        self._connection.close()


class _Child:
    """A child of this process, with the lowest priority for the processor and the idle class for disks."""

    def __init__(self) -> None:
        try:
            self._process, self._family = start(
                (*GENTLE, *PROGRAM),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=environment(PATH),
                cwd="/",
            )
        except OSError as error:
            raise ProbeError(f"backups cannot be read: {GENTLE[0]} cannot be started: {explained(error)}") from error
        if self._process.stdout is not None:
            os.set_blocking(self._process.stdout.fileno(), False)

    def send(self, line: bytes) -> None:
        if self._process.stdin is not None:
            with suppress(OSError):
                os.write(self._process.stdin.fileno(), line)

    def take(self) -> bytes:
        parts: list[bytes] = []
        if self._process.stdout is None or self._process.stdout.closed:
            return b""
        with suppress(BlockingIOError):
            while len(parts) < PARTS and (part := os.read(self._process.stdout.fileno(), PART)):
                parts.append(part)
        return b"".join(parts)

    def ended(self) -> str | None:
        status = self._process.poll()
        return None if status is None else f"with status {status}"

    async def close(self, context: ProbeContext, name: str) -> None:
        """End the program and everything that it started."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        await context.workers.call(f"end of reading {name}", partial(end, self._process, self._family), END_S)
