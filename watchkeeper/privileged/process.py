"""Runs one program to its end: no shell, a fixed environment, limits on its run time and its output.

The daemon uses this too, for the tools that need no privilege. Not here: what is run, and what its output means.
"""

import os
import selectors
import signal
import subprocess
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from watchkeeper.clock import Clock
from watchkeeper.privileged.descendants import REAP_S, Family, start

PATH = "/usr/sbin:/usr/bin:/sbin:/bin"
"""Where programs are looked for. Not the caller's PATH: these folders belong to root on every distribution."""

OUTPUT_LIMIT_BYTES = 4 * 2**20
"""Ten thousand snapshots are about 1 MiB of `zfs list`."""

ERROR_LIMIT_BYTES = 64 * 2**10
"""Of standard error: only its first lines are ever shown."""


@dataclass(frozen=True, slots=True)
class Completed:
    """How a program ended.

    status: its exit status, negative for a signal; None where it could not be started or was killed here. truncated: it
    printed more than allowed, and was killed. timed_out: it took longer than allowed, and was killed. missing: there is
    no such program.
    """

    status: int | None
    stdout: bytes = b""
    stderr: bytes = b""
    truncated: bool = False
    timed_out: bool = False
    missing: bool = False


def environment(path: str) -> dict[str, str]:
    """The whole environment of a program: messages in plain English, and times in UTC."""
    return {"PATH": path, "LC_ALL": "C", "TZ": "UTC", "HOME": "/"}


def run(
    argv: Sequence[str], timeout_s: float, *, path: str | None = None, limit_bytes: int = OUTPUT_LIMIT_BYTES
) -> Completed:
    """Run a program and collect its output; at its end, end everything that it started.

    Blocks, never longer than `timeout_s` and twice REAP_S together.

    path: where programs are looked for; default PATH. Raises OSError where the program exists but cannot be started (no
    memory, no permission).
    """
    try:
        process, family = start(
            argv,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment(path or PATH),
            cwd="/",
        )
    except (FileNotFoundError, NotADirectoryError):
        return Completed(None, missing=True)
    watch = _Watch(process, {"stdout": limit_bytes, "stderr": ERROR_LIMIT_BYTES})
    try:
        ended = watch.until(Clock().monotonic_s() + timeout_s)
    finally:
        end(process, family)
    stdout, stderr = (bytes(watch.texts[name]) for name in ("stdout", "stderr"))
    if watch.truncated:
        return Completed(None, stdout, stderr, truncated=True)
    return Completed(process.returncode, stdout, stderr) if ended else Completed(None, stdout, stderr, timed_out=True)


@dataclass(slots=True)
class _Watch:
    """Reads both outputs of a process until it ends, its time is up, or it has printed too much."""

    process: "subprocess.Popen[bytes]"
    limits: dict[str, int]
    texts: dict[str, bytearray] = field(default_factory=lambda: {"stdout": bytearray(), "stderr": bytearray()})
    truncated: bool = False

    def until(self, end_s: float) -> bool:
        """True where the process ended on its own. A grandchild that holds the outputs open is not waited for."""
        exited = os.pidfd_open(self.process.pid)
        try:
            with selectors.DefaultSelector() as selector:
                selector.register(exited, selectors.EVENT_READ, "exit")
                for name in self.texts:
                    stream = getattr(self.process, name)
                    os.set_blocking(stream.fileno(), False)
                    selector.register(stream, selectors.EVENT_READ, name)
                return self._serve(selector, end_s)
        finally:
            os.close(exited)

    def _serve(self, selector: selectors.BaseSelector, end_s: float) -> bool:
        clock = Clock()
        while not self.truncated:
            left_s = end_s - clock.monotonic_s()
            ready = {key.data: key.fileobj for key, _ in selector.select(left_s)} if left_s > 0 else {}
            if not ready:
                return False
            for name in ready.keys() & self.texts.keys():
                if not self._read(name):
                    selector.unregister(ready[name])
            if "exit" in ready:
                self._drain()
                return not self.truncated
        return False

    def _drain(self) -> None:
        """Read what is still in the pipes when the process has ended."""
        for name in self.texts:
            while self._read(name) and not self.truncated:
                pass

    def _read(self, name: str) -> bool:
        """Read what is available; False at the end of the output, or where nothing is available yet."""
        try:
            part = os.read(getattr(self.process, name).fileno(), 65_536)
        except BlockingIOError:
            return False
        text, limit = self.texts[name], self.limits[name]
        text += part[: max(limit - len(text), 0)]
        # Excess output on standard error is discarded: a program that warns about every item is not at fault.
        self.truncated = self.truncated or (name == "stdout" and len(part) > 0 and len(text) >= limit)
        return bool(part)


def end(process: "subprocess.Popen[bytes]", family: Family) -> None:
    """Kill a process and everything that it started, close our ends of its pipes, and collect its status."""
    # Its number is its own until it is waited for. This is for a program that could not be marked.
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)
    family.end()
    for stream in (process.stdout, process.stderr):
        if stream is not None:
            stream.close()
    with suppress(subprocess.TimeoutExpired):
        process.wait(REAP_S)
