"""`watchkeeper demo` as a process: it prints where the page is, its time runs, and Ctrl-C leaves nothing behind."""

import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from tests.support.processes import started


def test_demo(tmp_path: Path) -> None:
    """The page is there, says so, moves on by itself, and is gone with its folder after Ctrl-C."""
    with started(
        [sys.executable, "-m", "watchkeeper", "demo", "--port", "0", "--day", "6"],
        stdout=subprocess.PIPE,
        text=True,
        env={"TMPDIR": str(tmp_path), "PATH": "/usr/bin:/bin"},
    ) as process:
        assert process.stdout is not None
        told = [process.stdout.readline() for _ in range(3)]
        address = told[0].removeprefix("page: ").strip()
        assert told[1].startswith("password: ")
        assert told[2] == "A day takes 6 s. Press Ctrl-C to end.\n"

        def as_of() -> str:
            with urllib.request.urlopen(address, timeout=60) as answer:
                found = re.search(r'as of <time datetime="([^"]+)"', answer.read().decode())
            assert found
            return found[1]

        first = as_of()
        deadline = time.monotonic() + 60
        while as_of() == first and time.monotonic() < deadline:
            time.sleep(0.2)
        assert as_of() > first
        assert [p.name.startswith("watchkeeper-demo-") for p in tmp_path.iterdir()] == [True]
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0
    assert list(tmp_path.iterdir()) == []
