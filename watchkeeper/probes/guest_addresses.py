"""The addresses of guests, from the probe that asks their agents to the probes that connect to services in them.

Not here: which of a guest's addresses can be used (guests/agents/addresses.py).
"""

import asyncio
from collections.abc import Mapping, Sequence


class GuestAddresses:
    """Addresses by the guest's name, the preferred one first. They last as long as the process."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[str, ...]] = {}
        self._arrived = asyncio.Event()

    def report(self, found: Mapping[str, Sequence[str]]) -> None:
        """Replace the addresses of these guests. A guest without any keeps those that it had."""
        self._known |= {name: tuple(addresses) for name, addresses in found.items() if addresses}
        self._arrived.set()
        self._arrived = asyncio.Event()

    def of(self, guest: str) -> tuple[str, ...]:
        """The addresses of a guest; empty if none was reported."""
        return self._known.get(guest, ())

    async def wait_for(self, guest: str, timeout_s: float) -> tuple[str, ...]:
        """The addresses of a guest, waiting for them if none was reported yet; empty if none comes in time."""
        try:
            async with asyncio.timeout(timeout_s):
                while not self.of(guest):
                    await self._arrived.wait()
        except TimeoutError:
            pass
        return self.of(guest)
