"""`status --follow` shows the status again when it changes: over the last one on a terminal, after it in a pipe."""

import asyncio
import fcntl
import json
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import fill
from tests.support.readstore import NOW, ReadStoreDouble, calm, filling, full
from watchkeeper.cli import output
from watchkeeper.cli.commands.alerts.status import RULE, View, summary
from watchkeeper.forecast import scoring
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.observation import Condition, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store
from watchkeeper.web.dashboard.dashboard import build_dashboard

GUEST = SeriesKey("guest tide-log", "state")


@pytest.fixture
def database(config: Path) -> Path:
    """A database with one guest that runs. Returns its path."""
    double = ReadStoreDouble()
    double.add(Condition(GUEST, ok=True), None)
    double.seen = [replace(each, at=datetime.now(UTC), interval_s=3600.0) for each in double.seen]
    path = config.with_name("watchkeeper.db")
    fill(path, double)
    return path


def command(config: Path, *more: str) -> list[str]:
    """The command line that follows the board."""
    return [sys.executable, "-m", "watchkeeper", "--config", str(config), "status", "--follow", *more]


def commit(path: Path, *, paused: bool) -> None:
    """What a daemon stores when the guest has been looked at again."""
    seen = Seen(datetime.now(UTC), Condition(GUEST, ok=not paused), "guests", 3600.0)
    alert = Alert(GUEST, Concern.FAULTY, State.ACTIVE, Priority.ALARM, 1, 1, seen.at, seen.at)

    async def write() -> None:
        async with await Store.open(path) as store:
            await store.commit(Commit((seen,), alerts=(alert,) if paused else ()))

    asyncio.run(write())


@contextmanager
def following(config: Path, *more: str) -> Iterator["subprocess.Popen[str]"]:
    """The command in a process of its own, with its output in a pipe."""
    with subprocess.Popen(command(config, *more), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def test_a_pipe_gets_a_new_board_when_something_moved(config: Path, database: Path) -> None:
    """A sample that says the same is no new board; an alert is, behind a line; Ctrl-C is the usual end."""
    with following(config) as process:
        assert process.stdout is not None
        first = [process.stdout.readline() for _ in range(5)]
        assert first[-1].startswith("Not known yet: ")
        commit(database, paused=False)
        time.sleep(1.5)  # longer than from one look to the next
        commit(database, paused=True)
        assert [process.stdout.readline() for _ in range(4)] == [
            "\n",
            "gannet\n",
            "  guest tide-log  running\n",
            f"{RULE}\n",
        ]
        second = [process.stdout.readline() for _ in range(5)]
        assert "Needs you\n" in second
        assert second[-1].startswith("  alarm     guest tide-log: ")
        process.send_signal(signal.SIGINT)
        rest, trouble = process.communicate(timeout=20)
        assert RULE not in rest
        assert "\x1b" not in "".join([*first, *second, rest])
        assert (trouble, process.returncode) == ("", 0)


def test_json_is_one_object_a_line(config: Path, database: Path) -> None:
    """A script reads a line and has the whole board."""
    with following(config, "--json") as process:
        assert process.stdout is not None
        first = json.loads(process.stdout.readline())
        commit(database, paused=True)
        second = json.loads(process.stdout.readline())
        assert [(each["needs_you"], len(each["active"])) for each in (first, second)] == [(False, 0), (True, 1)]
        process.send_signal(signal.SIGINT)
        assert process.communicate(timeout=20) == ("", "")
        assert process.returncode == 0


def test_a_terminal_is_drawn_over(config: Path, database: Path) -> None:
    """On a real terminal the newest board stands where the one before it stood, within its height, and no colour."""
    controller, terminal = pty.openpty()
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "TERM": "xterm", "NO_COLOR": "1"}
    process = subprocess.Popen(command(config), stdout=terminal, stderr=subprocess.PIPE, env=environment)
    try:
        os.close(terminal)
        _read_until(controller, "Not known yet: ")
        commit(database, paused=True)
        drawn = _read_until(controller, "What to look at")
        assert drawn.count("\x1b[H") == 1
        assert RULE not in drawn
        assert "\x1b[K\r\n" in drawn
        assert {part[0] for part in drawn.split("\x1b[")[1:]} <= {"H", "K", "J"}
        process.send_signal(signal.SIGINT)
        assert process.communicate(timeout=20)[1] == b""
        assert process.returncode == 0
    finally:
        process.kill()
        process.wait(30)
        os.close(controller)


def _read_until(controller: int, words: str) -> str:
    text, until_s = "", time.monotonic() + 20
    while words not in text:
        assert time.monotonic() < until_s, text
        text += os.read(controller, 65536).decode()
    return text


def test_without_a_database_it_does_not_wait_for_one(config: Path) -> None:
    """Exit code 3 with the remedy, as without --follow."""
    result = subprocess.run(command(config), capture_output=True, text=True, check=False, timeout=60)
    assert (result.returncode, result.stdout) == (66, "")
    assert "there is no database at" in result.stderr


def look(double: ReadStoreDouble, later: timedelta = timedelta()) -> View:
    """The board of a double, looked at so much later than its own moment."""
    found = build_dashboard(double.all_series, double.seen, double.found, double.raised, NOW + later)
    return View(found, tuple(double.all_series), None, scoring.summary([]))


@pytest.mark.parametrize("scenario", [calm, filling, full])
def test_that_time_passes_is_no_other_board(scenario: Callable[[], ReadStoreDouble]) -> None:
    """Seconds later it is the same, though ages have grown; without samples it is another."""
    double = scenario()
    assert summary(look(double)) == summary(look(double, timedelta(seconds=2)))
    assert summary(look(double)) != summary(replace(look(double), still=timedelta(hours=1)))


def test_what_was_acknowledged_makes_another_board() -> None:
    """The operator's own acts show at once."""
    double = filling()
    before = summary(look(double))
    double.raised = [replace(each, state=State.ACKNOWLEDGED) for each in double.raised]
    assert summary(look(double)) != before


def test_what_has_no_room_on_the_screen_is_counted(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The top of a board is what needs the operator, so the end of it gives way."""
    monkeypatch.setenv("LINES", "6")
    monkeypatch.setenv("COLUMNS", "80")
    output.on_screen([f"line {n}" for n in range(9)])
    shown = capsys.readouterr().out.splitlines()
    assert shown == ["line 0", "line 1", "line 2", "line 3", "5 more lines: make the terminal taller"]


def test_gathered_lines_are_not_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """What is gathered is what would have been printed; afterwards it is printed again."""
    with output.gathered() as lines:
        output.paragraph("gannet")
        output.blank()
    assert lines == ["gannet", ""]
    output.blank()
    assert capsys.readouterr().out == "\n"
