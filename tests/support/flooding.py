"""A process that floods a page with connections: `python -m tests.support.flooding KIND COUNT HOSTS PORT`.

It is a separate process, so that its descriptors are not counted with anyone else's. It opens COUNT connections in
batches, opens another one for each that the page closes, at a bounded rate, and ends when its standard input closes or
after a minute. Not here: what the page should do about it.
"""

import resource
import select
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

SENT = {
    "idle": b"",
    "asking": b"GET /api/v1/status HTTP/1.1\r\nHost: localhost\r\n\r\n",
    "head": b"GET / HTTP/1.1\r\nHost: local",
    "body": b"POST /operator/sign-in HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    b"Content-Length: 900\r\n\r\npassword=",
    "stream": b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n",
}
"""What each connection sends; nothing more comes after it."""

BATCH, PAUSE_S = 50, 0.01
REOPENED_PER_S = 300
LONGEST_S = 60.0
MANY = 200


@dataclass
class _Flooder:
    """Opens and counts connections. many: from addresses 127.0.1.1 to 127.0.1.200 in turn, instead of from one."""

    kind: str
    many: bool
    port: int
    opened: int = 0
    open: dict[int, socket.socket] = field(default_factory=dict)
    poll: select.poll = field(default_factory=select.poll)

    def add(self) -> None:
        """Open one without waiting for it; one that cannot be opened is counted too."""
        made = socket.socket()
        made.setblocking(False)
        self.opened += 1
        with suppress(BlockingIOError):
            made.bind((f"127.0.1.{1 + self.opened % MANY}" if self.many else "127.0.0.1", 0))
            made.connect(("127.0.0.1", self.port))
        self.open[made.fileno()] = made
        self.poll.register(made, select.POLLIN | select.POLLOUT)

    def serve(self) -> None:
        """Send what is pending; drop connections that the page has closed."""
        for number, what in self.poll.poll(0):
            made = self.open[number]
            if what & (select.POLLERR | select.POLLHUP) or (what & select.POLLIN and not self.readable(made)):
                self.drop(number)
            elif what & select.POLLOUT:
                with suppress(OSError):
                    made.send(SENT[self.kind])
                self.poll.modify(number, select.POLLIN)

    def readable(self, made: socket.socket) -> bool:
        """Read the available data; False at end of file."""
        try:
            return bool(made.recv(65_536))
        except OSError:
            return False

    def drop(self, number: int) -> None:
        """Forget one connection."""
        self.poll.unregister(number)
        self.open.pop(number).close()


def main(kind: str, count: int, hosts: str, port: int) -> None:
    """Flood until standard input closes."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    count = min(count, hard - 100)
    flooder, end_s = _Flooder(kind, hosts == "many", port), time.monotonic() + LONGEST_S
    told = False
    while time.monotonic() < end_s and not select.select([sys.stdin], [], [], PAUSE_S)[0]:
        first = min(BATCH, count - flooder.opened)
        again = min(int(REOPENED_PER_S * PAUSE_S), count - len(flooder.open))
        for _ in range(first if first > 0 else max(again, 0)):
            flooder.add()
        flooder.serve()
        if flooder.opened >= count and not told:
            told = True
            sys.stdout.write("opened\n")
            sys.stdout.flush()


@contextmanager
def flood(kind: str, count: int, hosts: str, port: int) -> Iterator[None]:
    """Flood a port of 127.0.0.1; starts once `count` connections have been opened. hosts: `one` address or `many`."""
    words = [sys.executable, "-m", "tests.support.flooding", kind, str(count), hosts, str(port)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "opened\n"
            yield
            assert process.poll() is None, "the flood ended by itself"
        finally:
            process.stdin.close()
            process.wait(20)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3], int(sys.argv[4]))
