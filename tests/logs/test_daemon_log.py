"""What a real daemon writes to standard error, by default and with --verbose."""

import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.support.daemon import Daemon, command

LINE = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d (debug|info|notice|warning|error): [^\n]+")
CONFIG = """
watch_host = false
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
[[probe]]
kind = "command"
name = "jetty"
run = ["{folder}/lamps"]
every = "0.2s"
"""
SEEN = [
    {
        "kind": "condition",
        "subject": "jetty",
        "quantity": "lamps",
        "ok": False,
        "reason": "dark\n<0>forged\r\x1b[2J",
    },
    {"kind": "level", "subject": "jetty", "quantity": "log", "used": 3, "capacity": 10, "unit": "count"},
]


@contextmanager
def running(folder: Path, *more: str) -> Iterator[Path]:
    """A daemon on a program that says hostile things; where its standard error goes."""
    program = folder / "lamps"
    program.write_text(f"#!{sys.executable}\nprint({json.dumps(SEEN)!r})\n")
    program.chmod(0o755)
    config = folder / "config.toml"
    config.write_text(CONFIG.format(folder=folder))
    with (folder / "stderr").open("w") as stderr:
        words = [*command(config), *more]
        with Daemon(subprocess.Popen(words, stdout=subprocess.PIPE, stderr=stderr, text=True)) as daemon:
            yield folder / "stderr"
            assert daemon.stop() == 0


def until(file: Path, text: str) -> None:
    """Wait for a text in a file."""
    end = time.monotonic() + 30
    while text not in file.read_text():
        assert time.monotonic() < end, file.read_text()
        time.sleep(0.05)


def test_start_alert_and_stop_are_a_line_each(tmp_path: Path) -> None:
    """By default: that it began, what was raised, that it ended; nothing per sample, and no line is split."""
    with running(tmp_path) as stderr:
        until(stderr, "jetty")
        time.sleep(1.5)  # some more looks, of which nothing must be heard
    lines = stderr.read_text().splitlines()
    assert all(LINE.fullmatch(line) for line in lines)
    told = [line.split(": ", 1)[1] for line in lines]
    assert told[0] == "monitoring started, with an empty database"
    assert told[-1] == "monitoring stopped"
    (raised,) = told[1:-1]
    assert "jetty" in raised
    assert lines[1].split()[2] == "notice:"


def test_verbose_tells_why(tmp_path: Path) -> None:
    """With --verbose each rule's decision is there with its reason, on one line, whatever the probe said."""
    with running(tmp_path, "--verbose") as stderr:
        until(stderr, "jetty: log, full: 3 of 10 used (30 %)")
        until(stderr, "jetty: lamps, faulty: faulty since")
    lines = stderr.read_text().splitlines()
    assert all(LINE.fullmatch(line) for line in lines)
    (why,) = (line for line in lines if "jetty: lamps, faulty:" in line)
    assert (
        "dark <0>forged \\x1b[2J; limits: faulty is a warning, stopped is an alarm; calls for a warning; alert active"
        in why
    )
    assert any(
        "jetty: log, full: 3 of 10 used (30 %), 7 left; still learning: too few readings" in line for line in lines
    )
