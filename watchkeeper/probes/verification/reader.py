"""Names one file to the program that reads it, grants it time, and takes its answer. Never waits for it.

Not here: how the program is started (sessions.py), what it does (program.py), and which file it reads (verifier.py).
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.verification.outcomes import Verdict
from watchkeeper.probes.verification.sessions import open_session

ANSWER_LIMIT = 65_536


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
        self.path, self.read, self.of = path, 0, 0
        self._text = b""
        self._waiting = True
        self._session = open_session()
        self._session.send(json.dumps(path).encode() + b"\n")

    def grant(self, seconds: float) -> None:
        """Let it go on for that long, if it waits for that."""
        if self._waiting:
            self._waiting = False
            self._session.send(f"{seconds:.0f}\n".encode())

    def poll(self) -> Result | None:
        """Its result, once there is one. One that ended without a result found nothing that can be said."""
        ended = self._session.ended()
        self._text = (self._text + self._session.take())[-ANSWER_LIMIT:]
        *lines, self._text = self._text.split(b"\n")
        for line in lines:
            answer = _parsed(line)
            if "verdict" in answer:
                return _result(answer)
            self.read, self.of, self._waiting = _number(answer, "read"), _number(answer, "of"), True
        if ended is None:
            return None
        return Result(Verdict.UNKNOWN, detail=f"the program that reads it ended {ended}")

    async def close(self, context: ProbeContext) -> None:
        """End the program and everything that it started."""
        await self._session.close(context, clip(self.path))


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
