"""Asks one guest's QMP monitor the fixed questions, and prints its replies as JSON: `python -m ... PATH`.

The privileged part of the guests' probe, for monitors that only root may connect to. The questions only read, and
nothing is sent to a peer that has not sent a monitor's greeting. What the replies mean is decided in
probes/guests/qmp.py.
"""

import json
import socket
import sys
from collections.abc import Mapping
from typing import Any

from watchkeeper.privileged.guest_sockets import connect

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

LINE_LIMIT_BYTES = 4 * 2**20
"""One message is one line. query-block of a guest with a hundred disks and long backing chains stays well below."""

MESSAGES_LIMIT = 1000
"""Events that may come before a reply. With more, the peer does not speak the protocol."""

PATIENCE_S = 5.0
"""For each part of a message. A monitor that another program occupies sends nothing at all."""


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
        replies = {}
        for number, question in enumerate(QUESTIONS):
            connection.sendall(json.dumps({"execute": question, "id": number}).encode("ascii") + b"\n")
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
