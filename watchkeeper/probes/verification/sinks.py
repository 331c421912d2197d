"""What takes the bytes of a file one piece after another: the end marks of dumps, and programs that test their input.

Not here: compression (compression.py), and which of these a file needs (formats.py).
"""

import os
import subprocess
import tempfile
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import IO, Protocol

from watchkeeper.privileged.process import environment
from watchkeeper.probes.verification.outcomes import DamageFound, NotCheckable

PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"

PIECE = 2**20
"""Bytes that are read and unpacked at a time."""

SAID_LIMIT = 4096


class Sink(Protocol):
    """Takes bytes in order. Both raise DamageFound and NotCheckable."""

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        ...

    def end(self) -> None:
        """There are no more."""
        ...

    def close(self) -> None:
        """Release what it holds, in any case."""
        ...


class Nothing:
    """Takes everything: what is inside a compressed file has the checksum of the compression."""

    def feed(self, data: bytes) -> None:
        """Take it."""

    def end(self) -> None:
        """Nothing is wrong."""

    def close(self) -> None:
        """Nothing is held."""


class Unchecked(Nothing):
    """Takes everything, and can say nothing about it."""

    def __init__(self, why: str) -> None:
        self._why = why

    def end(self) -> None:
        """Say so."""
        raise NotCheckable(self._why)


class EndMark(Nothing):
    """A dump that ends with a mark when it was written to its end."""

    TAIL = 4096
    """A dump of PostgreSQL since August 2025 has `\\unrestrict` and a key after its mark."""

    def __init__(self, what: str, marks: Sequence[bytes], *, last: bool = False) -> None:
        """last: the mark must be the last thing in it."""
        self._what, self._marks, self._last, self._tail = what, tuple(marks), last, b""

    def feed(self, data: bytes) -> None:
        """Keep the end."""
        self._tail = (self._tail + data)[-self.TAIL :]

    def end(self) -> None:
        """Look for the mark."""
        tail = self._tail.rstrip()
        if not (tail.endswith(self._marks) if self._last else any(mark in tail for mark in self._marks)):
            raise DamageFound(f"{self._what}: it ends without its end mark, {self._marks[0].decode()!s}")


class StoredPages(Nothing):
    """A SQLite database inside another format: as many bytes as its header says. https://sqlite.org/fileformat.html"""

    def __init__(self, head: bytes) -> None:
        size = int.from_bytes(head[16:18], "big")
        valid = head[24:28] == head[92:96]
        self._expected = (65_536 if size == 1 else size) * int.from_bytes(head[28:32], "big") if valid else 0
        self._read = 0

    def feed(self, data: bytes) -> None:
        """Count."""
        self._read += len(data)

    def end(self) -> None:
        """Compare."""
        if self._read < self._expected:
            raise DamageFound(f"SQLite: {self._read} bytes of {self._expected}")


class Program:
    """A program that reads the bytes on its standard input, and whose exit status says whether they are whole.

    explain: turns the first line that it printed on standard error into an exception. after: takes what it prints on
    standard output. It may end before its input does, as tar may.
    """

    def __init__(
        self,
        argv: Sequence[str],
        package: str,
        explain: Callable[[str], Exception],
        after: Sink | None = None,
    ) -> None:
        self._argv, self._explain, self._after = argv, explain, after
        self._said: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115  closed in close()
        self._wrong: Exception | None = None
        self._ended = False
        try:
            self._process = subprocess.Popen(  # noqa: S603  a fixed command
                argv,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL if after is None else subprocess.PIPE,
                stderr=self._said,
                env=environment(PATH),
                cwd="/",
            )
        except FileNotFoundError:
            self._said.close()
            raise NotCheckable(f"{argv[0]} is not installed (in Debian: {package})") from None
        self._thread = threading.Thread(target=self._pump, daemon=True)
        self._thread.start()

    def feed(self, data: bytes) -> None:
        """Pass it on. A program that has ended already reports why at the end."""
        if self._ended or self._process.stdin is None:
            return
        try:
            self._process.stdin.write(data)
        except BrokenPipeError:
            self._ended = True
            self._judge()

    def end(self) -> None:
        """Wait for its verdict."""
        with suppress(BrokenPipeError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        self._judge()
        if self._after is not None:
            self._after.end()

    def _judge(self) -> None:
        status = self._process.wait()
        self._thread.join()
        if status != 0:
            self._said.seek(0)
            lines = self._said.read(SAID_LIMIT).decode("utf-8", "replace").strip().split("\n")
            raise self._explain(lines[0] or f"{self._argv[0]} ended with status {status}")
        if self._wrong is not None:
            raise self._wrong

    def close(self) -> None:
        """End it."""
        self._process.kill()
        with suppress(BrokenPipeError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        self._process.wait()
        self._thread.join()
        if self._process.stdout is not None:
            self._process.stdout.close()
        if self._after is not None:
            self._after.close()
        self._said.close()

    def _pump(self) -> None:
        """Pass on what it prints, in a thread of its own: it must not wait for us while we wait for it."""
        if self._process.stdout is None or self._after is None:
            return
        while data := os.read(self._process.stdout.fileno(), PIECE):
            if self._wrong is None:
                try:
                    self._after.feed(data)
                except Exception as error:  # noqa: BLE001  raised in _judge; the rest is dropped, so the program ends
                    self._wrong = error
