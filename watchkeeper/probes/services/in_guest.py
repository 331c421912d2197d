"""A service that runs in a guest, which is named instead of its address: the address is the one of its agent's report.

The probe `guest-agents` asks the agents. What is observed of such a service depends on its guest.
"""

import ipaddress
import socket

from pydantic import Field

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Facts, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.answer_speed import SpeedSettings
from watchkeeper.probes.support import resolve
from watchkeeper.probes.support.resolve import MOST_ADDRESSES, Address
from watchkeeper.probes.support.sanitize import clip


class InGuestSettings(SpeedSettings):
    """What the settings of a probe have whose target may be in a guest."""

    guest: str = Field(
        "",
        max_length=100,
        description="name of the guest that it runs in: the address is the one that the guest's agent reports (kind "
        "`guest-agents`), and it depends on that guest. Empty: the address is looked up by its name",
    )

    @property
    def dependencies(self) -> tuple[str, ...]:
        """What depends_on names, and the guest."""
        return (*self.depends_on, f"guest {clip(self.guest)}") if self.guest else self.depends_on


class Target:
    """Where to connect: to a guest, by its name, or to a host whose name is looked up."""

    def __init__(self, context: ProbeContext, settings: InGuestSettings) -> None:
        self._guests, self._workers = context.guest_addresses, context.workers
        self.guest, self._timeout_s, self._waited = clip(settings.guest), settings.timeout, False

    @property
    def addresses(self) -> tuple[str, ...]:
        """The addresses of the guest, the preferred one first; empty if none is known."""
        return self._guests.of(self.guest)[:MOST_ADDRESSES]

    async def missing(self, subject: str) -> list[Unseen]:
        """That nothing can be seen, because no address of the guest is known; empty if one is, or there is no guest.

        The first look waits for it: at the start, all probes run at about the same time.
        """
        if not self.guest or self.addresses:
            return []
        wait_s, self._waited = 0.0 if self._waited else self._timeout_s, True
        if await self._guests.wait_for(self.guest, wait_s):
            return []
        why = f"no address of the guest {self.guest} is known: its agent has reported none that this host may use"
        return [Unseen(f"{subject}: answer", why)]

    async def look_up(self, host: str, port: int, family: socket.AddressFamily = socket.AF_UNSPEC) -> list[Address]:
        """The addresses to connect to, the preferred one first. Raises as resolve.look_up does."""
        if not self.guest:
            return await resolve.look_up(self._workers, host, port, self._timeout_s, family)
        found = [Address(_family(each), each, port) for each in self.addresses]
        usable = [each for each in found if family in (socket.AF_UNSPEC, each.family)]
        if not usable:
            raise ProbeError(f"the guest {self.guest} has no address of this family")
        return usable

    def facts(self, port: int | None = None) -> Facts:
        """Where the service is; nothing for a service that is in no guest."""
        if not self.guest or not self.addresses:
            return ()
        return (("guest", f"{self.guest} at {self.addresses[0]}{'' if port is None else f' port {port}'}"),)


def _family(address: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ipaddress.ip_address(address).version == 6 else socket.AF_INET
