"""Ends a program together with everything that it started, also what left its session or outlived its parent.

This process becomes the reaper of its descendants (PR_SET_CHILD_SUBREAPER, prctl(2)), so that it can collect orphans.
Each program gets a mark that its children inherit and that a cleared environment or a session of its own does not
remove: the soft limit RLIMIT_LOCKS, which Linux has ignored since 2.4.25 (getrlimit(2)). It is set on this process for
the moment of the start, so that not even the first instruction runs without it. A process is killed through a
descriptor, and only if it still is the one that was found, so a reused number kills nobody.

Not here: what is run, and how long it may run (process.py).
"""

import ctypes
import os
import random
import resource
import select
import signal
import subprocess
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from watchkeeper.clock import Clock
from watchkeeper.privileged.descriptors import give_back

REAP_S = 1.0
"""How long killed processes may take to end. One that waits in the kernel for a dead disk does not; it is left behind,
and is looked for again when the next program ends."""

_LOOK_S = 0.05
"""The longest wait before the processes are looked for again: a parent that is killed leaves its children to this one.
"""

_PR_SET_CHILD_SUBREAPER = 36
"""linux/prctl.h"""

_RLIMIT_LOCKS = 10
"""asm-generic/resource.h; Python's `resource` has no name for it."""

_MARK_BITS = 61
"""A limit is a signed number to some programs. Drawn at random, so that a run within a run has other marks."""

_starting = threading.Lock()
_left: set[int] = set()
"""Marks of programs that have ended and left a process that could not be ended yet."""


@dataclass(frozen=True, slots=True)
class _Process:
    """A process, as /proc/PID/stat describes it: proc(5). started: in clock ticks after the boot."""

    pid: int
    parent: int
    session: int
    started: int
    zombie: bool


class Family:
    """A program that this process started, and everything that comes from it."""

    def __init__(self, pid: int, mark: int) -> None:
        """Use start() instead."""
        self._pid, self._mark = pid, mark

    def end(self) -> int:
        """Kill all of it, and wait for its end, at most REAP_S. Returns how many processes are left.

        The program itself is killed but not waited for: the caller does that.
        """
        end_s = Clock().monotonic_s() + REAP_S
        marks = {self._mark, *_left}
        while found := self._find(marks):
            _kill(found, end_s)
            if Clock().monotonic_s() >= end_s:
                break
        if found:
            _left.add(self._mark)
        else:
            _left.difference_update(marks)
        return len(found)

    def _find(self, marks: set[int]) -> list[_Process]:
        """What has one of these marks. The program itself counts only while it runs.

        Not what is in the session of this process: it was started by somebody else while the mark was set.
        """
        found = [each for pid in _numbers() if _mark_of(pid) in marks and (each := _look(pid)) is not None]
        session = os.getsid(0)
        return [each for each in found if each.session != session and not (each.zombie and each.pid == self._pid)]


def start(argv: Sequence[str], **options: Any) -> tuple["subprocess.Popen[bytes]", Family]:  # noqa: ANN401  Popen's
    """Start a program in a session of its own, without a shell. options: of Popen. Raises what Popen raises."""
    mark = random.getrandbits(_MARK_BITS)
    with _starting, _marked(mark):
        # Where that is not possible, orphans go to another process, and are not found.
        ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
        process = subprocess.Popen(argv, start_new_session=True, **options)  # noqa: S603  a list of arguments
    give_back(process.pid)
    return process, Family(process.pid, mark)


@contextmanager
def _marked(mark: int) -> Iterator[None]:
    """What is started in the meantime has a mark."""
    soft, hard = resource.getrlimit(_RLIMIT_LOCKS)
    _set_limit(mark, hard)
    try:
        yield
    finally:
        _set_limit(soft, hard)


def _set_limit(soft: int, hard: int) -> None:
    # A hard limit that somebody has lowered: then a program is ended with its process group only.
    with suppress(OSError, ValueError):
        resource.prlimit(0, _RLIMIT_LOCKS, (soft, hard))


def _mark_of(pid: int) -> int | None:
    try:
        return resource.prlimit(pid, _RLIMIT_LOCKS)[0]
    except OSError:
        return None


def _kill(found: Sequence[_Process], end_s: float) -> None:
    """Kill processes, wait for the first end, and collect those that have become children of this one."""
    with _opened(found) as opened:
        poll = select.poll()
        for fd, each in opened:
            if not each.zombie:
                poll.register(fd, select.POLLIN)
                with suppress(ProcessLookupError, PermissionError):
                    signal.pidfd_send_signal(fd, signal.SIGKILL)
        poll.poll(max(min(end_s - Clock().monotonic_s(), _LOOK_S), 0.0) * 1_000)
        for fd, each in opened:
            if each.parent == os.getpid():
                with suppress(ChildProcessError):
                    os.waitid(os.P_PIDFD, fd, os.WEXITED | os.WNOHANG)


@contextmanager
def _opened(found: Sequence[_Process]) -> Iterator[list[tuple[int, _Process]]]:
    """Descriptors of processes: those that are still what was found."""
    opened: list[tuple[int, _Process]] = []
    try:
        for each in found:
            with suppress(OSError):
                opened.append((os.pidfd_open(each.pid), each))
        yield [(fd, each) for fd, each in opened if _is_same(each)]
    finally:
        for fd, _ in opened:
            os.close(fd)


def _is_same(process: _Process) -> bool:
    """Has the process of this number not been replaced since it was found?"""
    now = _look(process.pid)
    return now is not None and now.started == process.started


def _look(pid: int) -> _Process | None:
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    # The name of the program, in parentheses, may contain anything.
    fields = text.rpartition(")")[2].split()
    return _Process(pid, int(fields[1]), int(fields[3]), int(fields[19]), fields[0] == "Z")


def _numbers() -> list[int]:
    """The numbers of all processes. The lists of children in /proc miss some while others end: proc(5)."""
    return [int(name) for name in os.listdir("/proc") if name.isdigit()]  # noqa: PTH208  no object for each
