"""The limit of open file descriptors: raised in a process of its own, and given back to what it runs."""

import json
import subprocess
import sys

import pytest

PROGRAM = """
import asyncio, json, resource, sys
from watchkeeper.privileged import descriptors, process
resource.setrlimit(resource.RLIMIT_NOFILE, (int(sys.argv[1]), int(sys.argv[2])))
if sys.argv[3] == "raise":
    descriptors.raise_limit()
# The limits are set beside the program's first instructions.
ran = process.run(["sh", "-c", "sleep 0.5; ulimit -Sn; ulimit -Hn"], 10)
json.dump([*resource.getrlimit(resource.RLIMIT_NOFILE), *map(int, ran.stdout.split())], sys.stdout)
"""


@pytest.mark.parametrize(
    ("soft", "hard", "what", "found"),
    [
        (256, 4_096, "raise", [4_096, 4_096, 256, 4_096]),
        (256, 4_096, "leave", [256, 4_096, 256, 4_096]),
        (512, 512, "raise", [512, 512, 512, 512]),
    ],
)
def test_the_limit_is_raised_for_the_daemon_alone(soft: int, hard: int, what: str, found: list[int]) -> None:
    """A program that it runs has the limits that the daemon was started with."""
    words = [sys.executable, "-c", PROGRAM, str(soft), str(hard), what]
    done = subprocess.run(words, capture_output=True, check=True, timeout=30)
    assert json.loads(done.stdout) == found
