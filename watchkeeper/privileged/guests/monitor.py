"""Asks one guest's QMP monitor the fixed questions, and prints its replies as JSON: `python -m ... PATH`.

The privileged part of the guests' probe, for monitors that only root may connect to. The questions only read, and
nothing is sent to a peer that has not sent a monitor's greeting. What the replies mean is decided in
probes/guests/qmp.py.
"""

import json
import re
import socket
import sys
from collections.abc import Iterator, Mapping
from typing import Any

from watchkeeper.privileged.guests.sockets import connect

QUESTIONS = (
    "qmp_capabilities",  # must come first: it ends the negotiation and changes nothing
    "query-name",
    "query-status",
    "query-block",
    "query-memory-size-summary",
    "query-balloon",
    "query-cpus-fast",
    "query-blockstats",
    "query-chardev",
)
"""Everything that is ever sent to a guest, by this program and by the daemon."""

DEVICES = ("/machine/peripheral", "/machine/peripheral-anon")
"""Where QEMU lists the devices that a guest was started with: those with an id, and those without one."""

_BALLOON = re.compile(r"child<virtio-balloon[a-z-]*>")
_DEVICE = re.compile(r"[A-Za-z0-9_.\[\]-]{1,100}")

LINE_LIMIT_BYTES = 4 * 2**20
"""One message is one line. query-block of a guest with a hundred disks and long backing chains stays well below."""

MESSAGES_LIMIT = 1000
"""Events that may come before a reply. With more, the peer does not speak the protocol."""

PATIENCE_S = 5.0
"""For each part of a message. A monitor that another program occupies sends nothing at all."""


def messages(replies: Mapping[str, Mapping[str, Any]]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each question by its name, with the message that asks it. replies: those so far, filled while this runs.

    The last one asks for the statistics of the balloon, if one of the listed devices is a balloon: it only reads what
    the guest has reported, and only if polling was turned on when the guest was started.
    """
    for question in QUESTIONS:
        yield question, {"execute": question}
    for path in DEVICES:
        yield f"qom-list {path}", {"execute": "qom-list", "arguments": {"path": path}}
    if (balloon := _balloon(replies)) is not None:
        yield "guest-stats", {"execute": "qom-get", "arguments": {"path": balloon, "property": "guest-stats"}}


def _balloon(replies: Mapping[str, Mapping[str, Any]]) -> str | None:
    """The path of the balloon among the devices that QEMU listed."""
    for path in DEVICES:
        listed = replies.get(f"qom-list {path}", {}).get("return")
        for each in listed if isinstance(listed, list) else []:
            name, sort = (str(each.get(key)) for key in ("name", "type")) if isinstance(each, dict) else ("", "")
            if _BALLOON.fullmatch(sort) and _DEVICE.fullmatch(name):
                return f"{path}/{name}"
    return None


class _Lines:
    """The lines that a monitor sends, each of limited length."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection, self._held = connection, b""

    def message(self) -> Mapping[str, Any]:
        """The next message. Raises ValueError and OSError."""
        while b"\n" not in self._held:
            part = self._connection.recv(65_536)
            self._held += part
            if not part or len(self._held) > LINE_LIMIT_BYTES:
                raise ValueError("the monitor closed the connection, or sent a line without end")
        line, _, self._held = self._held.partition(b"\n")
        message = json.loads(line)
        if not isinstance(message, dict):
            raise ValueError("what answers there is no QMP monitor")  # noqa: TRY004  reported like invalid JSON
        return message

    def reply(self, number: int) -> Mapping[str, Any]:
        """The reply to a question; events in between are skipped."""
        for _ in range(MESSAGES_LIMIT):
            message = self.message()
            if message.get("id") == number:
                return message
        raise ValueError("the monitor sends events without end and no reply")


def ask(path: str) -> dict[str, Mapping[str, Any]]:
    """Map each question to the whole reply. Raises OSError, and ValueError where a reply makes no sense."""
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(PATIENCE_S)
        connect(connection, path)
        lines = _Lines(connection)
        if "QMP" not in lines.message():
            raise ValueError("what answers there does not greet as a QMP monitor")
        replies: dict[str, Mapping[str, Any]] = {}
        for number, (question, message) in enumerate(messages(replies)):
            connection.sendall(json.dumps({**message, "id": number}).encode("ascii") + b"\n")
            replies[question] = lines.reply(number)
        return replies


def main() -> int:
    """Ask and print. The exit status is 1 where there is nothing to print; standard error then says why."""
    try:
        print(json.dumps(ask(sys.argv[1])))  # noqa: T201  its output is its purpose
    except (OSError, ValueError, RecursionError) as error:
        print(getattr(error, "strerror", None) or error, file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
