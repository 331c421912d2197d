"""Logging as the daemon sets it up: where lines go, and how often."""

import asyncio
import io
import logging
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

import pytest

from tests.support.journald import Listener
from tests.support.outbox import SetClock
from watchkeeper.logs import setup
from watchkeeper.logs.fields import NOTICE, Event, about
from watchkeeper.logs.limiting import EVERY_S

log = logging.getLogger("watchkeeper.logs.test")


@pytest.fixture
def stderr(tmp_path: Path) -> Iterator[TextIO]:
    """Standard error, with a descriptor of its own."""
    with (tmp_path / "stderr").open("w+", encoding="utf-8") as stream:
        yield stream


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Listener]:
    """The journal."""
    found = Listener(tmp_path / "socket")
    yield found
    found.close()


def service(stderr: TextIO) -> dict[str, str]:
    """The environment of a service whose standard error leads to the journal."""
    found = os.fstat(stderr.fileno())
    return {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}


def read(stderr: TextIO) -> list[str]:
    """What was written to standard error."""
    stderr.seek(0)
    return stderr.read().splitlines()


def test_on_a_terminal_a_line_is_text(stderr: TextIO) -> None:
    """Elsewhere than under systemd: time, level and text on standard error."""
    with setup.begun(verbose=False, environment={}, stderr=stderr):
        log.log(NOTICE, "hide-hub is silent", extra=about(Event.ALERT))
        log.debug("not asked for", extra=about(Event.REASON))
    (line,) = read(stderr)
    assert line.endswith(" notice: hide-hub is silent")


def test_under_systemd_a_line_is_an_entry(stderr: TextIO, listener: Listener) -> None:
    """Under systemd: an entry with its fields, and nothing on standard error."""
    with setup.begun(verbose=True, environment=service(stderr), stderr=stderr, socket=listener.path):
        log.warning("put off", extra=about(Event.DELIVERY_DEFERRED, notifier="mail"))
        log.debug("asked for", extra=about(Event.REASON))
    first, second = listener.entries()
    assert (first["MESSAGE"], first["WATCHKEEPER_NOTIFIER"], first["PRIORITY"]) == ("put off", "mail", "4")
    assert (second["MESSAGE"], second["PRIORITY"]) == ("asked for", "7")
    assert read(stderr) == []


def test_where_the_journal_cannot_be_used_text_has_the_number(stderr: TextIO, tmp_path: Path) -> None:
    """Under systemd without its socket: text with the number in front by which systemd knows the priority."""
    with setup.begun(verbose=False, environment=service(stderr), stderr=stderr, socket=tmp_path / "none"):
        log.error("set aside", extra=about(Event.UNDELIVERABLE))
    assert read(stderr) == ["<3>set aside"]


def test_a_journal_that_is_slow_loses_nothing_and_keeps_the_order(stderr: TextIO, listener: Listener) -> None:
    """What a full socket does not take waits, and comes in its order once there is room."""
    with setup.begun(verbose=False, environment=service(stderr), stderr=stderr, socket=listener.path) as handler:
        for number in range(600):
            log.info("n %s", number, extra=about(Event.ALERT))
        found = listener.entries()
        assert 0 < len(found) < 600
        while len(found) < 600:
            handler.tend()
            found += (more := listener.entries())
            assert more
    assert [each["MESSAGE"] for each in found] == [f"n {number}" for number in range(600)]
    assert read(stderr) == []


def test_a_journal_that_stands_still_costs_no_memory(
    stderr: TextIO, listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What waits has an end; how many were left out is told, and the rest goes to standard error."""
    monkeypatch.setattr(setup, "WAITING", 10)
    with setup.begun(verbose=False, environment=service(stderr), stderr=stderr, socket=listener.path) as handler:
        for number in range(3_000):
            log.info("n %s", number, extra=about(Event.ALERT))
        taken = len(listener.entries())
        handler.tend()
        found = listener.entries()
        assert [each["MESSAGE"] for each in found] == [f"n {number}" for number in range(2_990, 3_000)]
        assert found[0]["WATCHKEEPER_LOST"] == str(2_990 - taken)
        assert "WATCHKEEPER_LOST" not in found[1]
        listener.entries()
        for number in range(3_000):
            log.info("n %s", number, extra=about(Event.ALERT))
    assert len(read(stderr)) == 10


def test_the_same_is_told_once_an_interval(stderr: TextIO) -> None:
    """A failure that goes on is one line, then one an interval; alerts are told each time."""
    clock = SetClock()
    with setup.begun(verbose=False, environment={}, stderr=stderr, clock=clock) as handler:
        for _ in range(10):
            log.warning("put off", extra=about(Event.DELIVERY_DEFERRED, notifier="mail"))
            log.info("moved", extra=about(Event.ALERT))
            clock.advance(1.0)
        clock.advance(EVERY_S)
        handler.tend()
    found = [line.split(": ", 1)[1] for line in read(stderr)]
    assert found.count("put off") == 1
    assert found.count("moved") == 10
    assert found[-1] == "put off (the newest of 9 more)"


def test_lines_are_in_order_of_time(stderr: TextIO) -> None:
    """A summary has the time at which it is written, not that of the record which it repeats."""
    with setup.begun(verbose=False, environment={}, stderr=stderr):
        for _ in range(2):
            record = logging.LogRecord(log.name, logging.WARNING, __file__, 1, "put off", None, None)
            record.created -= 3_600
            vars(record).update(about(Event.DELIVERY_DEFERRED, notifier="mail"))
            log.handle(record)
        log.warning("so", extra=about(Event.PAGE))
    first, second, summary = (line[:19] for line in read(stderr))
    assert first < second <= summary


def test_the_end_tells_what_was_held_back(stderr: TextIO) -> None:
    """Nothing is owed when the daemon stops."""
    with setup.begun(verbose=False, environment={}, stderr=stderr):
        for number in range(2):
            log.warning("put off %s", number, extra=about(Event.DELIVERY_DEFERRED, notifier="mail"))
    assert [line.split(": ", 1)[1] for line in read(stderr)] == ["put off 0", "put off 1 (once more)"]


def test_libraries_are_heard_where_something_is_wrong(stderr: TextIO) -> None:
    """A library's warning is told, its chatter is not, and what the scheduler says of late runs is not either."""
    with setup.begun(verbose=True, environment={}, stderr=stderr):
        logging.getLogger("asyncio").warning("a task took long")
        logging.getLogger("aiohttp.server").info("chatter")
        logging.getLogger("apscheduler.executors").warning("a run was late")
    (line,) = read(stderr)
    assert line.endswith("warning: a task took long")


def test_everything_is_put_back(stderr: TextIO) -> None:
    """After the end, logging is as it was."""
    root = logging.getLogger()
    before = root.level, list(root.handlers), logging.getLogger("watchkeeper").level
    with setup.begun(verbose=True, environment={}, stderr=stderr):
        assert root.handlers != before[1]
    assert (root.level, root.handlers, logging.getLogger("watchkeeper").level) == before


def test_nobody_reads_it() -> None:
    """A standard error that is closed, or has no descriptor, stops nothing."""
    closed = io.StringIO()
    with setup.begun(verbose=False, environment={"JOURNAL_STREAM": "1:2"}, stderr=closed):
        log.warning("so", extra=about(Event.PAGE))
        assert closed.getvalue().endswith("warning: so\n")
        closed.close()
        log.warning("so", extra=about(Event.SERVICE))


async def test_what_is_due_is_told_in_time(stderr: TextIO) -> None:
    """While the daemon runs, the end of an interval is told though nothing more comes."""
    with setup.begun(verbose=False, environment={}, stderr=stderr, every_s=0.05) as handler:
        async with setup.with_periodic_flush(handler, pause_s=0.01):
            for _ in range(3):
                log.warning("put off", extra=about(Event.DELIVERY_DEFERRED))
            async with asyncio.timeout(30):
                while len(read(stderr)) < 2:  # noqa: ASYNC110  a file says nothing of what is written to it
                    await asyncio.sleep(0.01)
    assert read(stderr)[1].endswith("put off (the newest of 2 more)")
