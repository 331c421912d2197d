"""Asks the agent in one guest the fixed questions, and prints its replies as JSON: `python -m ... PATH`.

The privileged part of the guest agents' probe, for sockets that only root may connect to. The questions only read. What
comes back is from inside the guest, and so hostile: it is bounded and passed on as text, and nothing in it is
interpreted here but the number that the agent must repeat. What the replies mean is decided in
probes/guests/agents/agent.py. Source: the QEMU Guest Agent protocol reference, qemu-ga-ref(7) of 7.2.
"""

import json
import re
import secrets
import socket
import sys
from collections.abc import Callable

from watchkeeper.clock import Clock
from watchkeeper.privileged.guests.sockets import connect

QUESTIONS = ("guest-get-time", "guest-get-osinfo", "guest-network-get-interfaces", "guest-get-fsinfo")
"""Everything that is sent to an agent after guest-sync-delimited, by this program and by the daemon. File systems come
last: the agent refuses that question while it has frozen them for a backup."""

LINE_LIMIT_BYTES = 256 * 1024
"""One reply is one line. A file system takes about 300 bytes, an interface about 400."""

STALE_LIMIT_BYTES = 1024 * 1024
"""What may come before the agent has repeated the number: replies to an earlier client that did not wait for them."""

PATIENCE_S = 5.0
"""For the whole conversation."""

_SENTINEL = b"\xff"
"""Not valid in JSON: the agent drops what it has of an unfinished request, and puts it before its reply."""

_SYNC_REPLY = re.compile(rb'\s*\{\s*"return"\s*:\s*([0-9]{1,19})\s*\}\s*')


class Conversation:
    """What is sent to an agent, and the bounds of what it may reply. The caller moves the bytes.

    replies: question -> the line that came back. host_time_s: the host's own time (seconds since 1970) in the middle of
    the question for the guest's time; None before its reply. synced: whether the agent has repeated the number.
    """

    def __init__(self, now_s: Callable[[], float] | None = None) -> None:
        """now_s: seconds since 1970; by default those of the host's clock."""
        self._now_s = now_s or (lambda: Clock().now().timestamp())
        self._number = secrets.randbelow(2**31)
        self._held, self._scanned, self._stale, self._asked_s = bytearray(), 0, 0, 0.0
        self.replies: dict[str, str] = {}
        self.host_time_s: float | None = None
        self.synced = False

    def begin(self) -> bytes:
        """The first bytes to send."""
        question = {"execute": "guest-sync-delimited", "arguments": {"id": self._number}}
        return _SENTINEL + json.dumps(question).encode("ascii") + b"\n"

    @property
    def complete(self) -> bool:
        """Is there a reply to every question?"""
        return len(self.replies) == len(QUESTIONS)

    def receive(self, part: bytes) -> bytes:
        """Take what has arrived, and return what to send next; empty to wait for more.

        Raises ValueError for more than was asked for, and for a line without end.
        """
        self._held += part
        if not self.synced:
            return self._ask() if self._synchronise() else b""
        end = self._next_line_end(0)
        if (len(self._held) if end < 0 else end) > LINE_LIMIT_BYTES:
            raise ValueError("it sends a line without end")
        if end < 0:
            return b""
        self._refuse_more(end)
        self._take(bytes(self._held[:end]))
        return b"" if self.complete else self._ask()

    def _synchronise(self) -> bool:
        """Drop everything up to the reply that repeats the number. A line counts from its last sentinel on."""
        start = 0
        while (end := self._next_line_end(start)) >= 0:
            mark = self._held.rfind(_SENTINEL, start, end)
            found = _SYNC_REPLY.fullmatch(self._held, mark + 1, end) if mark >= 0 else None
            if found and int(found.group(1)) == self._number:
                self._refuse_more(end)
                self.synced = True
                return True
            start = end + 1
        self._drop(start)
        if len(self._held) > LINE_LIMIT_BYTES:
            self._drop(len(self._held))
        return False

    def _next_line_end(self, start: int) -> int:
        """Where the line ends; -1 if it has not ended yet. Each byte is looked at once, however slowly it comes."""
        end = self._held.find(b"\n", max(start, self._scanned))
        if end < 0:
            self._scanned = len(self._held)
        return end

    def _refuse_more(self, end: int) -> None:
        """Nothing may follow a reply before the next question."""
        if self._held[end + 1 :].strip():
            raise ValueError("it sends more than it was asked for")

    def _drop(self, size: int) -> None:
        del self._held[:size]
        self._scanned = len(self._held)
        self._stale += size
        if self._stale > STALE_LIMIT_BYTES:
            raise ValueError("it sends data without end and no reply")

    def _ask(self) -> bytes:
        self._held.clear()
        self._scanned = 0
        self._asked_s = self._now_s()
        return json.dumps({"execute": self._question, "id": len(self.replies)}).encode("ascii") + b"\n"

    @property
    def _question(self) -> str:
        return QUESTIONS[len(self.replies)]

    def _take(self, line: bytes) -> None:
        if not self.replies:
            self.host_time_s = (self._asked_s + self._now_s()) / 2
        self.replies[self._question] = line.decode("utf-8", "replace")

    def printed(self) -> str:
        """The replies as JSON, for the daemon."""
        return json.dumps({"replies": self.replies, "host_time_s": self.host_time_s})


def ask(path: str) -> Conversation:
    """Ask the agent behind a socket. Raises OSError, and ValueError where nothing usable came back.

    An agent that has repeated the number and then leaves a question open has answered: the replies so far are kept.
    """
    talk, clock = Conversation(), Clock()
    end_s = clock.monotonic_s() + PATIENCE_S
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(PATIENCE_S)
        connect(connection, path)
        try:
            send = talk.begin()
            while not talk.complete:
                left_s = end_s - clock.monotonic_s()
                if left_s <= 0:
                    raise TimeoutError
                connection.settimeout(left_s)
                connection.sendall(send)
                part = connection.recv(65_536)
                if not part:
                    raise ValueError("it closed the connection")
                send = talk.receive(part)
        except TimeoutError:
            if not talk.synced:
                raise ValueError("it does not answer") from None
    return talk


def main() -> int:
    """Ask and print. The exit status is 1 where there is nothing to print; standard error then says why."""
    try:
        print(ask(sys.argv[1]).printed())  # noqa: T201  its output is its purpose
    except (OSError, ValueError) as error:
        print(getattr(error, "strerror", None) or error, file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
