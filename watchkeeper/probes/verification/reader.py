"""Starts the program that reads one file, grants it time, and takes its answer. Never waits for it.

The program has the lowest priority for the processor and the idle class for disks (ioprio_set(2)), so it gives way to
everything else. Not here: what it does (program.py), and which file it reads (verification.py).
"""

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from watchkeeper.errors import ProbeError
from watchkeeper.os_errors import explained
from watchkeeper.privileged.descendants import start
from watchkeeper.privileged.process import end, environment
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.verification.outcomes import Verdict
from watchkeeper.probes.verification.sinks import PATH

GENTLE = ("nice", "-n", "19", "ionice", "--ignore", "--class", "idle")
"""nice(1) and ionice(1). Both go on where the kernel refuses."""

ANSWER_LIMIT = 65_536
END_S = 10.0


@dataclass(frozen=True, slots=True)
class Result:
    """The answer of the program."""

    verdict: Verdict
    formats: tuple[str, ...] = ()
    detail: str = ""
    digest: str = ""


class Reader:
    """Reads one file. read, of: bytes, as last reported."""

    def __init__(self, path: str) -> None:
        """Start the program. Raises ProbeError if it cannot be started."""
        argv = (*GENTLE, sys.executable, "-I", "-m", "watchkeeper.probes.verification.program", path)
        self.path, self.read, self.of = path, 0, 0
        self._text = b""
        self._waiting = True
        try:
            self._process, self._family = start(
                argv,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=environment(PATH),
                cwd="/",
            )
        except OSError as error:
            raise ProbeError(f"backups cannot be read: {argv[0]} cannot be started: {explained(error)}") from error
        if self._process.stdout is not None:
            os.set_blocking(self._process.stdout.fileno(), False)

    def grant(self, seconds: float) -> None:
        """Let it go on for that long, if it waits for that."""
        if self._waiting and self._process.stdin is not None:
            self._waiting = False
            with suppress(OSError):  # It has ended; poll() says how.
                os.write(self._process.stdin.fileno(), f"{seconds:.0f}\n".encode())

    def poll(self) -> Result | None:
        """Its result, once there is one. One that ended without a result found nothing that can be said."""
        self._take()
        *lines, self._text = self._text.split(b"\n")
        for line in lines:
            answer = _parsed(line)
            if "verdict" in answer:
                return _result(answer)
            self.read, self.of, self._waiting = _number(answer, "read"), _number(answer, "of"), True
        status = self._process.poll()
        if status is None:
            return None
        return Result(Verdict.UNKNOWN, detail=f"the program that reads it ended with status {status}")

    async def close(self, context: ProbeContext) -> None:
        """End the program and everything that it started."""
        if self._process.stdin is not None:
            self._process.stdin.close()
        await context.workers.call(
            f"end of reading {clip(self.path)}", partial(end, self._process, self._family), END_S
        )

    def _take(self) -> None:
        if self._process.stdout is None or self._process.stdout.closed:
            return
        try:
            while part := os.read(self._process.stdout.fileno(), ANSWER_LIMIT):
                self._text = (self._text + part)[-ANSWER_LIMIT:]
        except BlockingIOError:
            return


def _parsed(line: bytes) -> Mapping[str, object]:
    """A line of the program; empty if it is not one of its own."""
    try:
        answer = json.loads(line)
    except ValueError:
        return {}
    return answer if isinstance(answer, dict) else {}


def _number(answer: Mapping[str, object], name: str) -> int:
    value = answer.get(name)
    return value if isinstance(value, int) else 0


def _result(answer: Mapping[str, object]) -> Result:
    """The result, with all text made printable: a part of it comes from the file."""
    formats = answer.get("formats")
    names = [clip(str(each), 40) for each in formats] if isinstance(formats, list) else []
    return Result(
        Verdict(str(answer["verdict"])),
        tuple(names),
        clip(str(answer.get("detail", ""))),
        str(answer.get("digest", "")),
    )
