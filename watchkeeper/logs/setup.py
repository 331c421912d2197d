"""Sets up logging for the daemon: where lines go, which, and how often.

Undone at the end, so that tests can start again. Under systemd lines go to the journal as entries with fields; where
that cannot accept them, and everywhere else, they go to standard error as text. Not here: what is logged.
"""

import asyncio
import contextlib
import logging
import os
import sys
from collections import deque
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final, TextIO

from watchkeeper.clock import Clock
from watchkeeper.logs import journal, lines
from watchkeeper.logs.fields import NEVER_LIMITED, fields_of, kind_of
from watchkeeper.logs.limiting import EVERY_S, Limiter, Line

WAITING: Final = 1_000
"""Entries that wait while the journal is slow. More than that are counted and dropped, to bound memory."""

LIBRARIES: Final = ("apscheduler", "paho")
"""They log at every step; the code that uses them reports what goes wrong in them."""


class LogSink:
    """Writes lines: to the journal where this runs under systemd; otherwise, or where that fails, to standard error."""

    def __init__(self, environment: Mapping[str, str], stderr: TextIO, socket: Path = journal.SOCKET) -> None:
        """stderr: written to; its descriptor is compared with $JOURNAL_STREAM."""
        self._stderr = stderr
        self._service = journal.is_where_stderr_leads(environment, _descriptor(stderr))
        self._journal = journal.Journal(socket) if self._service else None
        self._waiting: deque[Line] = deque()
        self._lost = 0

    def say(self, line: Line) -> None:
        """Write a line. Never raises or waits."""
        self._waiting.append(line)
        if len(self._waiting) > WAITING:
            self._waiting.popleft()
            self._lost += 1
        self.flush()

    def flush(self) -> None:
        """Write what waits, in order, as far as the journal accepts it."""
        while self._waiting and self._taken(self._waiting[0]):
            self._waiting.popleft()

    def close(self) -> None:
        """Write what still waits to standard error, and close the journal."""
        for line in self._waiting:
            self._print(line)
        self._waiting.clear()
        if self._journal is not None:
            self._journal.close()

    def _taken(self, line: Line) -> bool:
        """Write one line; False where the journal cannot accept it yet but will soon."""
        if self._journal is None:
            self._print(line)
            return True
        fields = lines.journal_fields(line.record, line.more)
        if self._lost:
            fields["WATCHKEEPER_LOST"] = str(self._lost)
        try:
            self._journal.send(fields)
        except BlockingIOError:
            return False
        except OSError:
            self._print(line)
        else:
            self._lost = 0
        return True

    def _print(self, line: Line) -> None:
        text = lines.service_line if self._service else _terminal_line
        with contextlib.suppress(OSError, ValueError):  # nobody reads it, or it is closed
            print(text(line.record, line.more), file=self._stderr, flush=True)


def _terminal_line(record: logging.LogRecord, more: str) -> str:
    return lines.terminal_line(record, more, None, Clock().now() if more else None)


def _descriptor(stream: TextIO) -> int:
    """The descriptor of a stream; -1, which no stream has, where it has none."""
    try:
        return stream.fileno()
    except (OSError, ValueError):
        return -1


class Handler(logging.Handler):
    """Passes records on as often as the limiter allows."""

    def __init__(self, tongue: LogSink, clock: Clock, limiter: Limiter) -> None:
        super().__init__()
        self._tongue, self._clock, self._limiter = tongue, clock, limiter

    def emit(self, record: logging.LogRecord) -> None:
        """Write a record, or count it. What --verbose adds is written every time."""
        if record.levelno <= logging.DEBUG or fields_of(record).get("event") in NEVER_LIMITED:
            self._say([Line(record)])
        else:
            self._say(self._limiter.take(kind_of(record), record, self._clock.monotonic_s()))

    def tend(self) -> None:
        """Write what is due because time has passed."""
        with contextlib.ExitStack() as stack:
            self.acquire()
            stack.callback(self.release)
            self._say(self._limiter.over(self._clock.monotonic_s()))
            self._tongue.flush()

    def close(self) -> None:
        """Write what was held back, and close."""
        self._say(self._limiter.rest())
        self._tongue.close()
        super().close()

    def _say(self, due: Iterable[Line]) -> None:
        for line in due:
            self._tongue.say(line)


@contextlib.contextmanager
def begun(
    *,
    verbose: bool,
    environment: Mapping[str, str] = os.environ,
    stderr: TextIO | None = None,
    socket: Path = journal.SOCKET,
    clock: Clock | None = None,
    every_s: float = EVERY_S,
) -> Iterator[Handler]:
    """Log until the block ends. verbose: also why each rule decides as it does. The other parameters are for tests."""
    handler = Handler(LogSink(environment, stderr or sys.stderr, socket), clock or Clock(), Limiter(every_s))
    root, ours = logging.getLogger(), logging.getLogger("watchkeeper")
    before = root.level, ours.level
    root.addHandler(handler)
    root.setLevel(logging.WARNING)
    ours.setLevel(logging.DEBUG if verbose else logging.INFO)
    for name in LIBRARIES:
        logging.getLogger(name).setLevel(logging.ERROR)
    try:
        yield handler
    finally:
        root.removeHandler(handler)
        root.setLevel(before[0])
        ours.setLevel(before[1])
        handler.close()


@contextlib.asynccontextmanager
async def with_periodic_flush(handler: Handler, pause_s: float = EVERY_S / 10) -> AsyncIterator[None]:
    """While the block lasts, write what is due because time has passed."""

    async def tend() -> None:
        while True:
            await asyncio.sleep(pause_s)
            handler.tend()

    tending = asyncio.create_task(tend())
    try:
        yield
    finally:
        tending.cancel()
        await asyncio.wait({tending})
