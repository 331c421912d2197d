"""Runs calls that may block in threads that can be abandoned: a `statvfs` on a dead mount may never return.

The calls run in daemon threads, so none of them delays the end of the process. Everything except the call itself
happens on the event loop's thread, so no locks are needed. Not here: what is called, and what a hang means.
"""

import asyncio
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import Any, TypeVar

from watchkeeper.errors import ProbeError, ProbeTimeout, StillHanging
from watchkeeper.model.units import format_duration

T = TypeVar("T")

RUNNING_LIMIT = 16
"""Maximum concurrent calls; further calls wait. They wait for devices, so the limit may exceed the number of cores."""

HANGING_LIMIT = 32
"""Maximum abandoned threads at any time. Each keeps a stack, so without a limit memory use would grow without bound."""

IDLE_LIMIT = 4
"""Idle threads kept for the next call. Starting a thread costs about as much as a whole `statvfs`."""


@dataclass(slots=True, eq=False)
class _Call:
    """One call in progress. `returned` is set on the loop's thread: (the returned value, the raised error)."""

    thing: str
    work: Callable[[], Any]
    loop: asyncio.AbstractEventLoop
    returned: asyncio.Future[tuple[Any, BaseException | None]]
    begun: bool = False
    abandoned: bool = False


@dataclass(slots=True, eq=False)
class _Thread:
    """A daemon thread and the queue of its calls; None ends it."""

    inbox: SimpleQueue[_Call | None] = field(default_factory=SimpleQueue)


class ThreadWorkers:
    """The implementation of Workers (probes/base.py). One event loop uses an instance at a time."""

    def __init__(self, *, running_limit: int = RUNNING_LIMIT, hanging_limit: int = HANGING_LIMIT) -> None:
        self._running_limit = running_limit
        self._hanging_limit = hanging_limit
        self._running = 0
        self._idle: list[_Thread] = []
        self._waiting: deque[_Call] = deque()
        self._hanging: dict[str, int] = {}
        self._closed = False

    @property
    def hanging(self) -> tuple[str, ...]:
        """The things whose abandoned calls have not returned."""
        return tuple(self._hanging)

    async def call(self, thing: str, work: Callable[[], T], timeout_s: float) -> T:
        """Run `work` in its own thread and return what it returns, or raise what it raises.

        Raises ProbeTimeout if it does not return within `timeout_s` (it is then abandoned), StillHanging immediately if
        an earlier call for the same `thing` has not returned yet, and ProbeError if too many calls hang already.
        """
        self._refuse(thing)
        loop = asyncio.get_running_loop()
        call = _Call(thing, work, loop, loop.create_future())
        self._start(call)
        try:
            await asyncio.wait((call.returned,), timeout=timeout_s)
        finally:
            # Also if the caller was cancelled: the thread still stays in the call.
            if not call.returned.done():
                self._abandon(call)
        if call.abandoned:
            raise ProbeTimeout(f"{thing} did not answer within {format_duration(timeout_s)}")
        value: T
        value, error = call.returned.result()
        if error is not None:
            raise error
        return value

    def close(self) -> None:
        """End the idle threads; busy threads end when their call returns, or with the process."""
        self._closed = True
        while self._idle:
            self._idle.pop().inbox.put(None)

    def _refuse(self, thing: str) -> None:
        if thing in self._hanging:
            raise StillHanging(f"{thing} still does not answer; no new attempt until it does")
        hanging = sum(self._hanging.values())
        if hanging >= self._hanging_limit:
            some = ", ".join(list(self._hanging)[:3])
            raise ProbeError(
                f"{thing} was not read: {hanging} calls hang already ({some}); repair or unmount those first"
            )

    def _start(self, call: _Call) -> None:
        if self._running >= self._running_limit:
            self._waiting.append(call)
            return
        self._running += 1
        self._hand(self._idle.pop() if self._idle else self._grow(), call)

    def _hand(self, thread: _Thread, call: _Call) -> None:
        call.begun = True
        thread.inbox.put(call)

    def _grow(self) -> _Thread:
        thread = _Thread()
        threading.Thread(target=self._serve, args=(thread,), name="watchkeeper call", daemon=True).start()
        return thread

    def _abandon(self, call: _Call) -> None:
        call.abandoned = True
        if not call.begun:
            self._waiting.remove(call)
            return
        self._hanging[call.thing] = self._hanging.get(call.thing, 0) + 1
        self._running -= 1
        self._next()

    def _next(self) -> None:
        while self._waiting and self._running < self._running_limit:
            self._start(self._waiting.popleft())

    def _back(self, thread: _Thread, call: _Call, value: object, error: BaseException | None) -> None:
        """Handle a call that has returned; runs on the loop's thread."""
        if call.abandoned:
            self._forget(call.thing)
        else:
            self._running -= 1
            call.returned.set_result((value, error))
        if self._closed or len(self._idle) >= IDLE_LIMIT:
            thread.inbox.put(None)
        else:
            self._idle.append(thread)
        self._next()

    def _forget(self, thing: str) -> None:
        self._hanging[thing] -= 1
        if not self._hanging[thing]:
            del self._hanging[thing]

    def _serve(self, thread: _Thread) -> None:
        """Run calls until the thread is ended."""
        while (call := thread.inbox.get()) is not None:
            value: object = None
            error: BaseException | None = None
            try:
                value = call.work()
            except BaseException as raised:  # noqa: BLE001  not swallowed: it is raised in the caller
                error = raised
            try:
                call.loop.call_soon_threadsafe(self._back, thread, call, value, error)
            except RuntimeError:
                return  # The loop was closed while the call hung: nothing waits for it any more.
            del call, value, error  # An idle thread keeps no references.
