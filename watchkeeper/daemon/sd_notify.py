"""Reports the daemon's state to systemd, if systemd started it: ready, what is nearest, still running, stopping.

The protocol is sd_notify(3): datagrams of `NAME=value` lines to the socket that $NOTIFY_SOCKET names. The watchdog is
sd_watchdog_enabled(3): a service that sends nothing for that long is killed and restarted. Where something else started
the process, nothing is sent. Not here: what makes the daemon healthy (health.py).
"""

import logging
import os
import socket
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from datetime import datetime, tzinfo

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages import wording
from watchkeeper.model.alert import Concern
from watchkeeper.model.finding import Finding
from watchkeeper.web.dashboard.health import HealthReport, HealthSource

log = logging.getLogger(__name__)

LABEL = " systemd"
"""Among the scheduled tasks; no probe can have this name, because names are stripped."""

EVERY_S = 15.0
"""How often reports are sent, unless the watchdog needs them sooner: as often as everything is evaluated."""

MOVING = frozenset({"rules"})
"""The checks that must not fail for the watchdog to be fed. Rules are evaluated in sequence with every write to the
database, so a write that hangs shows up there too. Not `store`, which fails while the disk is full: a restart frees no
space and would lose what is held in memory until there is some. Nor `probes` and `deliveries`: their cause is outside
the daemon."""

LONGEST_STATUS = 200
"""Characters: `systemctl status` shows the status in one line of a terminal."""


class Service:
    """The socket of the service manager that started this process, if one did. Sending never raises or blocks."""

    def __init__(self, environment: Mapping[str, str] = os.environ, pid: int | None = None) -> None:
        """pid: this process, for tests."""
        self._address = environment.get("NOTIFY_SOCKET", "")
        self.watchdog_s = _watchdog_s(environment, os.getpid() if pid is None else pid)
        self._failing = False

    @property
    def listens(self) -> bool:
        """Does a service manager listen?"""
        return bool(self._address)

    def tell(self, *assignments: str) -> None:
        """Send `NAME=value` assignments, none with a line break, in one datagram. A failure is logged once."""
        if not self.listens:
            return
        # A leading @ stands for the NUL of a name in the abstract namespace: sd_notify(3), unix(7).
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.setblocking(False)
                sender.sendto("\n".join(assignments).encode(), address)
        except OSError as error:
            if not self._failing:
                text = "cannot report to systemd at NOTIFY_SOCKET=%s: %s"
                log.warning(text, self._address, error, extra=about(Event.SERVICE))
            self._failing = True
        else:
            self._failing = False


def _watchdog_s(environment: Mapping[str, str], pid: int) -> float | None:
    """How long systemd waits for a sign of life from this process; None where it does not, or waits for another."""
    text, whose = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if whose not in ("", str(pid)):
        return None
    return int(text) / 1e6 if text.isascii() and text.isdecimal() and int(text) > 0 else None


class Reports:
    """Reports at a fixed interval what is nearest, and feeds the watchdog while the daemon is working."""

    def __init__(
        self,
        service: Service,
        clock: Clock,
        vitals: HealthSource,
        findings: Callable[[], Awaitable[Sequence[Finding]]],
        zone: tzinfo,
    ) -> None:
        """findings: the newest of every series. zone: the operator's, for the times in the status."""
        self._service, self._clock, self._vitals, self._findings, self._zone = service, clock, vitals, findings, zone
        self._status = ""

    @property
    def every_s(self) -> float:
        """Half of the watchdog time (as sd_watchdog_enabled(3) advises), or sooner."""
        waits_s = self._service.watchdog_s
        return EVERY_S if waits_s is None else min(EVERY_S, waits_s / 2)

    async def tell(self) -> None:
        """Send one report: first that the daemon is working, which waits for nothing."""
        signs = self._vitals.read()
        moves = all(c.fitness is not HealthReport.FAIL for c in signs.checks if c.component in MOVING)
        if moves and self._service.watchdog_s is not None:
            self._service.tell("WATCHDOG=1")
        if signs.fitness is HealthReport.FAIL:
            self._say(f"monitoring is impaired: {'; '.join(signs.troubles)}")
            return
        try:
            found = await self._findings()
        except StoreError as error:
            self._say(f"the findings cannot be read: {error}")
        else:
            wrong = [c.output for c in signs.checks if c.component == "configuration" and c.output]
            self._say("; ".join([*wrong, status_line(found, self._clock.now(), self._zone)]))

    def _say(self, status: str) -> None:
        """Send the status where it has changed."""
        status = wording.clean(status, LONGEST_STATUS)
        if status != self._status:
            self._service.tell(f"STATUS={status}")
        self._status = status


def status_line(findings: Iterable[Finding], now: datetime, zone: tzinfo) -> str:
    """What is next to be full or due, and how many already are. zone: for the times in it."""
    ends = [
        (each.ends_at, str(each.key), each)
        for each in findings
        if each.concern in (Concern.FULL, Concern.OVERDUE) and not each.early and each.ends_at is not None
    ]
    ahead = sorted((end for end in ends if end[0] > now), key=lambda end: end[:2])
    past = len(ends) - len(ahead)
    said = f"{past} full or overdue" if past else ""
    if ahead:
        _, _, first = ahead[0]
        near = f"next: {wording.thing(first.key)} {wording.time_left_phrase(first, now, zone)}"
        return f"{said}; {near}" if said else near
    return said or "nothing full, overdue or due"
