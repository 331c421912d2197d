"""The C library's memory pools, in a process of its own: they cannot be joined again once a thread has one."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.daemon.test_imports import arenas

ROOT = Path(__file__).parents[2]
THREADS = """
import ctypes, os, threading
{before}
met = threading.Barrier(4)
def allocate():
    held = [ctypes.create_string_buffer(5_000) for _ in range(10)]
    met.wait(60)
    met.wait(60)
for each in (threads := [threading.Thread(target=allocate) for _ in range(3)]):
    each.start()
met.wait(60)
print(flush=True)
input()
met.wait(60)
"""


@pytest.mark.skipif(os.confstr("CS_GNU_LIBC_VERSION") is None, reason="the C library is not glibc")
@pytest.mark.parametrize(
    ("before", "expected"),
    [("", 3), ("from watchkeeper.daemon import allocator; allocator.share_one_arena()", 0)],
    ids=["as it comes", "shared"],
)
def test_threads_share_an_arena(before: str, expected: int) -> None:
    """Without it, each of three threads that allocate has its own."""
    argv = [sys.executable, "-c", THREADS.format(before=before)]
    with subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdout is not None
        process.stdout.readline()
        assert arenas(process.pid) == expected
        process.communicate("\n", timeout=60)
    assert process.returncode == 0
