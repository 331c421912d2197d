"""Runs a program and collects what its descendants leave behind, as an init process does: `python reaper.py PROGRAM`.

A process of the tests may have become the parent of orphans (watchkeeper/privileged/descendants.py) without collecting
them. A guest's process that has ended is then a zombie, and libvirt waits for it. SIGTERM ends the program, and then
all that it started.
"""

import ctypes
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

PR_SET_CHILD_SUBREAPER = 36
"""prctl(2)."""
LONGEST_S, END_S = 600, 20
"""How long the program may run, and what it started may take to end."""


def main() -> int:
    """Returns the exit status of the program."""
    assert ctypes.CDLL(None, use_errno=True).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0) == 0
    signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    process = subprocess.Popen(sys.argv[1:])
    end = time.monotonic() + LONGEST_S
    while process.returncode is None and time.monotonic() < end:
        pid, status = os.waitpid(-1, os.WNOHANG)
        if pid == process.pid:
            process.returncode = os.waitstatus_to_exitcode(status)
        time.sleep(0.0 if pid else 0.05)
    end = time.monotonic() + END_S
    while left := children():
        for each in left:
            os.kill(each, signal.SIGTERM if time.monotonic() < end else signal.SIGKILL)
        time.sleep(0.1)
        while children() and os.waitpid(-1, os.WNOHANG)[0]:
            pass
    return 1 if process.returncode is None else process.returncode


def children() -> list[int]:
    """The processes whose parent this is, also those that have ended: proc_pid_children(5)."""
    return [int(each) for each in Path("/proc/self/task", str(os.getpid()), "children").read_text().split()]


if __name__ == "__main__":
    sys.exit(main())
