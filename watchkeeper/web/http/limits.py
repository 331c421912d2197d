"""How many connections the page may hold, and how long each may wait for its client. Pure; one frozen object.

The numbers are constants and not configuration: behind a reverse proxy all visitors share one address, so the limit per
address is nearly the limit of all, and a connection over it replaces the one that has been idle longest.
X-Forwarded-For is not used: any client may write it. Not here: what is closed when a limit is reached (connections.py).
"""

from dataclasses import dataclass, replace
from typing import Self

RESERVE = 256
"""Descriptors that the page never uses.

Probes run at most a few dozen programs with three pipes each, a delivery has one socket or three pipes, the database
about ten files.
"""


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the page's connections.

    connections: in all. A browser holds up to six and a stream; 128 are many times enough for the screens of a
    household and use about 4 MB.
    per_address: of one IPv4 address or one IPv6 network of 64 bits, which is what one host can choose from.
    modest: an address is not crowded while no more than this wait for their client: a browser's six connections, and
    one more.
    streams, streams_per_address: event streams among these. The rest stays free for pages.
    head_s: for a request's head, from its first byte or from the accept. body_s: for a request with its body.
    idle_s: between two requests. unread_s: for a client that reads nothing of its answer. stuck_s: after which such a
    client may be closed for another; a lost packet delays a reader for a second or two.
    accepts, rest_s: this many accepts in one turn of the event loop, then a pause, so that probes get their share.
    exhausted_s: the pause of the accepts if no descriptor is free.
    look_s: how often the time limits are checked. report_s: from one log line about a flood to the next.
    """

    connections: int = 128
    per_address: int = 112
    modest: int = 7
    streams: int = 64
    streams_per_address: int = 56
    head_s: float = 10.0
    body_s: float = 30.0
    idle_s: float = 75.0
    unread_s: float = 30.0
    stuck_s: float = 3.0
    accepts: int = 32
    rest_s: float = 0.005
    exhausted_s: float = 1.0
    look_s: float = 1.0
    report_s: float = 60.0

    def within(self, descriptors: int) -> Self:
        """The same limits, with fewer connections if the process may open few descriptors; a reserve stays free."""
        room = descriptors - min(RESERVE, descriptors // 2)
        if room >= self.connections:
            return self
        count = max(room, 4)
        return replace(
            self,
            connections=count,
            per_address=min(self.per_address, count - count // 8),
            streams=min(self.streams, count // 2),
            streams_per_address=min(self.streams_per_address, count * 7 // 16),
        )
