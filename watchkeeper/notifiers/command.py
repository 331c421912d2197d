"""Deliver a message to a program of the operator's own: a lamp, a buzzer, a modem.

The program runs without a shell and reads the message as one JSON object on standard input: the content of `data` in a
webhook's event. Its exit status decides: 0 delivered; 65 refused (EX_DATAERR of sysexits.h: "the input data was
incorrect"); 75 deferred (EX_TEMPFAIL). Every other status, a signal, and a program that cannot be started are deferred
too: the operator can fix a script, a missing permission or a modem that is not plugged in, and nothing is lost
meanwhile. When the program has ended, or its time is up, everything that it started is killed.

Not here: what the message contains (cloudevent.py).
"""

import asyncio
import os
from subprocess import DEVNULL, Popen
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field

from watchkeeper.errors import DeliveryDeferred, DeliveryRefused
from watchkeeper.messages.wording import clean
from watchkeeper.model.message import Message
from watchkeeper.model.units import format_duration
from watchkeeper.notifiers import cloudevent
from watchkeeper.notifiers.base import BaseNotifier, ReceiverSettings
from watchkeeper.os_errors import explained
from watchkeeper.privileged.descendants import Family, start
from watchkeeper.privileged.process import PATH, end, environment

DATA_WRONG = 65
"""EX_DATAERR, sysexits.h (4.3BSD; FreeBSD's sysexits(3))."""

COMPLAINT_BYTES = 4_096
"""How much of standard error is read: its last line says what ended the program."""

_PIPEFULS = 16
"""Reads of 64 KiB: together the most that a pipe can be made to hold by default (pipe-max-size, 1 MiB)."""


def _words(value: tuple[str, ...]) -> tuple[str, ...]:
    if not value or not value[0].startswith("/"):
        raise ValueError(
            'the first word must be the absolute path of the program, such as ["/usr/local/bin/lamp", "red"]'
        )
    if any("\0" in word for word in value):
        raise ValueError("holds a NUL character; take it out")
    return value


class CommandSettings(ReceiverSettings):
    """A program of your own. It reads the message as JSON on standard input; its exit status reports the result."""

    kind: Literal["command"]
    run: Annotated[tuple[str, ...], AfterValidator(_words)] = Field(
        description="absolute path of the program, and its arguments; no shell interprets them"
    )


class Command(BaseNotifier[CommandSettings]):
    """One program. Nothing runs between deliveries."""

    async def deliver(self, message: Message) -> None:
        """Run the program once. Raises what Notifier.deliver documents."""
        with _Complaint() as complaint:
            process, family = self._started(cloudevent.data_bytes(message), complaint.inlet)
            try:
                async with asyncio.timeout(self._settings.timeout):
                    await _exit_of(process)
            except TimeoutError:
                limit = format_duration(self._settings.timeout)
                raise DeliveryDeferred(f"{self.name}: {self._program} did not end within {limit}") from None
            finally:
                await _end(process, family)
            self._judge(process.wait(), complaint.text())

    @property
    def _program(self) -> str:
        return clean(self._settings.run[0], 100)

    def _started(self, content: bytes, errors: int) -> tuple[Popen[bytes], Family]:
        # The input is a file in memory: a program that does not read it blocks nothing and breaks no pipe.
        given = os.memfd_create("message")
        try:
            os.pwrite(given, content, 0)
            return start(
                self._settings.run,
                stdin=given,
                stdout=DEVNULL,
                stderr=errors,
                env=environment(f"/usr/local/sbin:/usr/local/bin:{PATH}"),
                cwd="/",
            )
        except OSError as error:
            raise DeliveryDeferred(f"{self.name}: {self._program} cannot be run: {explained(error)}") from None
        finally:
            os.close(given)

    def _judge(self, status: int, said: str) -> None:
        if status == 0:
            return
        how = f"was killed by signal {-status}" if status < 0 else f"ended with status {status}"
        complaint = clean(said, 200) or "nothing on standard error"
        text = f"{self.name}: {self._program} {how}: {complaint}"
        raise DeliveryRefused(text) if status == DATA_WRONG else DeliveryDeferred(text)


class _Complaint:
    """A program's standard error: read as it arrives; only the end is kept.

    This uses its own pipe, because with the library's pipe the end of a program would wait for a child that holds it
    open.
    """

    def __init__(self) -> None:
        self._outlet, self.inlet = os.pipe()
        os.set_blocking(self._outlet, False)
        self._kept = b""

    def __enter__(self) -> Self:
        asyncio.get_running_loop().add_reader(self._outlet, self._take)
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.get_running_loop().remove_reader(self._outlet)
        os.close(self._outlet)
        os.close(self.inlet)

    def _take(self) -> bool:
        """Read what is available. True if there was anything."""
        try:
            part = os.read(self._outlet, 65_536)
        except BlockingIOError:
            return False
        self._kept = (self._kept + part)[-COMPLAINT_BYTES:]
        return True

    def text(self) -> str:
        """The last line: programs say there what ended them."""
        for _ in range(_PIPEFULS):  # a child that escaped may go on writing indefinitely
            if not self._take():
                break
        lines = self._kept.decode("utf-8", "replace").strip().splitlines()
        return lines[-1] if lines else ""


async def _exit_of(process: Popen[bytes]) -> None:
    """Wait until a process has ended; its status is not collected yet."""
    loop, exited = asyncio.get_running_loop(), asyncio.Event()
    handle = os.pidfd_open(process.pid)
    loop.add_reader(handle, exited.set)
    try:
        await exited.wait()
    finally:
        loop.remove_reader(handle)
        os.close(handle)


async def _end(process: Popen[bytes], family: Family) -> None:
    """Kill the program and everything that it started, and collect its status."""
    ending = asyncio.create_task(asyncio.to_thread(end, process, family))
    try:
        await asyncio.shield(ending)
    except asyncio.CancelledError:
        await ending
        raise
