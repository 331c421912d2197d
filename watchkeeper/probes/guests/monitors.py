"""The guests' QMP monitors. Not here: what a monitor is asked (qmp.py), and what its answer means (states.py)."""

from watchkeeper.privileged.commands import MONITORS
from watchkeeper.probes.guests import qmp
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.guests.sockets import GuestSockets


class Monitors(GuestSockets[Guest]):
    """The monitors whose sockets match some patterns."""

    entry, list_file, peer = "guests", MONITORS, "monitor"

    async def converse(self, path: str, timeout_s: float) -> Guest:
        """Ask one monitor. Raises as `qmp.ask` does."""
        return await qmp.ask(path, timeout_s)

    def read_printed(self, text: bytes) -> Guest:
        """Read what the helper printed about one monitor. Raises NotMonitor."""
        return qmp.read_printed(text)
