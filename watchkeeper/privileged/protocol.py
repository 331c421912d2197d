"""The protocol of the privileged helper: one line with a name in, one line of JSON out, and the end.

    -> volumes
    <- {"form": 1, "runs": [{"target": "", "status": 0, "stdout": "...", "stderr": "", "truncated": false, ...}]}
    <- {"form": 1, "error": "there is no such name"}

Bytes that are not UTF-8 are kept as lone surrogates (Python's surrogateescape). Both ends are in this file, so that
they cannot differ. Not here: what is run (commands.py).
"""

import dataclasses
import json
import socket
from collections.abc import Sequence

from watchkeeper.clock import Clock
from watchkeeper.privileged.commands import COMMANDS, Result, collect
from watchkeeper.privileged.process import Completed

FORM = 1
"""Version of the answer's format. A change that an older caller would misread gets the next number."""

NAME_LIMIT_BYTES = 64
PATIENCE_S = 5.0
"""For the caller's whole line, and for the whole answer: no caller keeps root waiting."""

ANSWER_LIMIT_BYTES = 64 * 2**20
"""The most that a caller accepts. Far above an answer: 64 disks are about 2 MiB."""


class HelperError(ValueError):
    """The answer is an error, or not one of this protocol; the text says which."""


def serve(connection: socket.socket) -> None:
    """Answer one caller."""
    name = _read_name(connection)
    answer = make_reply(name)
    connection.settimeout(PATIENCE_S)
    connection.sendall(answer)


def _read_name(connection: socket.socket) -> str | None:
    """The first line; None where it is too long, not ASCII, or incomplete.

    Raises TimeoutError where it is not complete in time: a caller could send it byte by byte.
    """
    line, clock = b"", Clock()
    end_s = clock.monotonic_s() + PATIENCE_S
    while b"\n" not in line:
        left_s = end_s - clock.monotonic_s()
        if left_s <= 0:
            raise TimeoutError
        connection.settimeout(left_s)
        part = connection.recv(NAME_LIMIT_BYTES)
        line += part
        if not part or len(line) > NAME_LIMIT_BYTES:
            return None
    try:
        return line.partition(b"\n")[0].decode("ascii")
    except UnicodeDecodeError:
        return None


def make_reply(name: str | None) -> bytes:
    """The answer to a name. It does not repeat what the caller sent."""
    if name not in COMMANDS:
        return _line({"form": FORM, "error": "there is no such name"})
    try:
        results = collect(name)
    except OSError as error:
        return _line({"form": FORM, "error": f"it cannot be run: {error.strerror}"})
    return _line({"form": FORM, "runs": [_record(each) for each in results]})


def _record(result: Result) -> dict[str, object]:
    ran = dataclasses.asdict(result.ran)
    texts = {name: ran.pop(name).decode("utf-8", "surrogateescape") for name in ("stdout", "stderr")}
    return {"target": result.target, **ran, **texts}


def _line(answer: dict[str, object]) -> bytes:
    return json.dumps(answer).encode("ascii") + b"\n"


def parse_reply(answer: bytes) -> Sequence[Result]:
    """The results in an answer. Raises HelperError."""
    if not answer:
        raise HelperError("it ended without a word; see `systemctl status 'watchkeeper-helper@*'`")
    try:
        said = json.loads(answer)
    except (ValueError, RecursionError) as error:
        raise HelperError("what it said is no answer, or was cut short") from error
    try:
        if said["form"] != FORM:
            raise HelperError(f"it speaks form {said['form']!r}, and this is {FORM}: install the same version of both")
        if "error" in said:
            raise HelperError(_text(said["error"]))
        return [_result(each) for each in said["runs"]]
    except (KeyError, TypeError, AttributeError) as error:
        raise HelperError(f"what it said is no answer: {error!r}") from error
    except UnicodeEncodeError as error:
        raise HelperError("what it said is no answer: it holds what is neither text nor bytes") from error


def _text(said: object) -> str:
    """Check that every character of a text can be written; UnicodeEncodeError where JSON names half a character."""
    text = str(said)
    text.encode("utf-8", "surrogateescape")
    return text


def _result(record: dict[str, object]) -> Result:
    stdout, stderr = (_text(record[name]).encode("utf-8", "surrogateescape") for name in ("stdout", "stderr"))
    status = record["status"]
    if status is not None and not isinstance(status, int):
        raise TypeError("a status is a number")
    truncated, timed_out, missing = (record.get(name) is True for name in ("truncated", "timed_out", "missing"))
    return Result(_text(record["target"]), Completed(status, stdout, stderr, truncated, timed_out, missing))
