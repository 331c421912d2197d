"""The page's open connections: which one waits for its client, and which one is closed when a limit is reached.

A new connection is accepted and the one that has waited longest for its client is closed, so that an operator gets the
page during a flood, even from the same address. A request that is being answered is never closed for another, and
sending bytes slowly gains nothing: waiting counts from the accept or from the last answer. Not here: one connection and
its time limits (connection.py), accepting (listener.py), the numbers (limits.py).
"""

import asyncio
import logging
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from ipaddress import IPv6Address, ip_address, ip_network
from itertools import islice
from typing import Any

from aiohttp import web

from watchkeeper.logs.fields import Event, about
from watchkeeper.web.http.connection import TOO_SLOW, Closed, Connection
from watchkeeper.web.http.limits import Limits

log = logging.getLogger(__name__)

MOST_ADDRESSES = 1_000
"""Addresses that are counted for one log line: the busiest of a flood is among the first."""


class Connections:
    """All connections of the page. options: the arguments of aiohttp's request handler."""

    def __init__(self, server: web.Server, limits: Limits, options: dict[str, Any]) -> None:
        self.server, self.limits, self.options = server, limits, options
        self.loop = asyncio.get_running_loop()
        # Both in the order in which they began to wait: the first one has waited longest.
        self._all: dict[Connection, None] = {}
        self._at: dict[str, dict[Connection, None]] = {}
        self._streams: dict[Connection, None] = {}
        self._looking: asyncio.TimerHandle | None = None
        self._report = _Report(limits.report_s)

    def __len__(self) -> int:
        return len(self._all)

    def __contains__(self, connection: Connection) -> bool:
        return connection in self._all

    def admit(self, host: str) -> Connection | None:
        """A new connection from a host, for which another one may be closed; None if it must be refused."""
        address = network_of(host)
        own = self._at.get(address, {})
        if len(own) >= self.limits.per_address:
            room = self._make_room(own)
        else:
            free = len(self._all) < self.limits.connections
            room = free or self._make_room(self._crowd()) or self._make_room(self._all)
        if not room:
            self._count(Closed.REFUSED, address)
            return None
        made = Connection(self, address)
        self._all[made] = self._at.setdefault(address, {})[made] = None
        self._look_later()
        return made

    def forget(self, connection: Connection) -> None:
        """Remove a connection that is closed, or about to be."""
        self._all.pop(connection, None)
        self._streams.pop(connection, None)
        own = self._at.get(connection.address, {})
        own.pop(connection, None)
        if not own:
            self._at.pop(connection.address, None)

    def answered(self, connection: Connection) -> None:
        """Record that a connection has its answer and waits for its client from now on."""
        self._streams.pop(connection, None)
        if connection in self._all:
            own = self._at[connection.address]
            del self._all[connection], own[connection]
            self._all[connection] = own[connection] = None

    def _crowd(self) -> dict[Connection, None]:
        """The connections of the address that has most, if more than a modest number of them may be closed; else all.

        Streams and requests in progress do not count: otherwise a browser with many streams would lose each new
        connection.
        """
        most, now_s = max(self._at.values(), key=len, default=self._all), self.loop.time()
        waiting = islice((each for each in most if each.may_go(now_s)), self.limits.modest + 1)
        return most if sum(1 for _ in waiting) > self.limits.modest else self._all

    def _make_room(self, among: Iterable[Connection]) -> bool:
        """Close the one of these that has waited longest; False if none waits."""
        now_s = self.loop.time()
        found = next((each for each in among if each.may_go(now_s)), None)
        if found is not None:
            self._close(found, Closed.FOR_ROOM)
        return found is not None

    def _close(self, connection: Connection, why: Closed) -> None:
        self._count(why, connection.address)
        self.forget(connection)
        connection.end(TOO_SLOW if why is Closed.LATE else b"")

    # Event streams ------------------------------------------------------------------------------------------------

    def begin_stream(self, connection: Connection, *, trusted: bool) -> bool:
        """Let a connection become an event stream; False if there are too many. trusted: its reader has signed in.

        A signed-in reader replaces one that has not signed in. Others do so only if another address has more streams.
        """
        own = [each for each in self._streams if each.address == connection.address]
        full = len(own) >= self.limits.streams_per_address
        if full or len(self._streams) >= self.limits.streams:
            crowd = own if full else self._streams_of_crowd()
            fair = trusted or len(crowd) > len(own) + 1
            victim = next((each for each in crowd if fair and not each.trusted), None)
            if victim is None:
                self._count(Closed.REFUSED, connection.address)
                return False
            self._close(victim, Closed.FOR_ROOM)
        connection.stream, connection.trusted = True, trusted
        self._streams[connection] = None
        return True

    def _streams_of_crowd(self) -> list[Connection]:
        """The streams of the address that has most streams of readers not signed in; oldest first."""
        counts = Counter(each.address for each in self._streams if not each.trusted)
        address = counts.most_common(1)[0][0] if counts else ""
        return [each for each in self._streams if each.address == address]

    # Time limits --------------------------------------------------------------------------------------------------

    def _look_later(self) -> None:
        if self._looking is None:
            self._looking = self.loop.call_later(self.limits.look_s, self._look)

    def _look(self) -> None:
        """Close what exceeds its time limit. Nothing runs while there is no connection."""
        self._looking = None
        now_s = self.loop.time()
        for each in list(self._all):
            why = each.overdue(now_s)
            if why is not None:
                self._close(each, why)
        self._report.write(now_s)
        if self._all or self._report.waits:
            self._look_later()

    def _count(self, why: Closed, address: str) -> None:
        self._report.count(why, address)
        self._look_later()

    def close(self) -> None:
        """Stop checking the time limits."""
        if self._looking is not None:
            self._looking.cancel()
            self._looking = None


class _Report:
    """One log line a minute about a flood, however many connections there were."""

    def __init__(self, every_s: float) -> None:
        self._every_s, self._free_at_s = every_s, 0.0
        self._counts: Counter[Closed] = Counter()
        self._addresses: Counter[str] = Counter()

    @property
    def waits(self) -> bool:
        """Is there anything to report? Late and idle connections alone are normal: browsers connect in advance."""
        return bool(self._counts[Closed.FOR_ROOM] or self._counts[Closed.REFUSED])

    def count(self, why: Closed, address: str) -> None:
        """Count one. Addresses are bounded; the newest ones of a flood from many are left out."""
        self._counts[why] += 1
        if address in self._addresses or len(self._addresses) < MOST_ADDRESSES:
            self._addresses[address] += 1

    def write(self, now_s: float) -> None:
        """Write the line if it is due."""
        if now_s < self._free_at_s or not self.waits:
            return
        counts = ", ".join(f"{count} {why}" for why, count in sorted(self._counts.items()) if count)
        address, most = self._addresses.most_common(1)[0]
        log.warning(
            "the page has reached its limit of connections: %s; most from %s (%d)",
            counts, address, most, extra=about(Event.PAGE),
        )  # fmt: skip
        self._free_at_s = now_s + self._every_s
        self._counts.clear()
        self._addresses.clear()


def network_of(host: str) -> str:
    """Whom the limits per address apply to: an IPv4 address, or an IPv6 network of 64 bits."""
    if ":" not in host:
        return host
    with suppress(ValueError):
        address = ip_address(host.partition("%")[0])
        if isinstance(address, IPv6Address):
            return str(address.ipv4_mapped or ip_network((address.packed[:8] + bytes(8), 64)))
    return host
