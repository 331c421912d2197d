"""What a guest's state means: whether it runs, will run without intervention, or has stopped, and why. Pure.

The states are those of query-status in qemu-qmp-ref(7), QEMU 7.2.
"""

from dataclasses import dataclass

from watchkeeper.probes.guests.qmp import Drive, Guest
from watchkeeper.probes.support.sanitize import clip


@dataclass(frozen=True, slots=True)
class GuestCondition:
    """reason: why the guest is faulty; empty if it is OK. grave: it has stopped working without being asked to.

    passing: the state should end without intervention.
    """

    reason: str = ""
    grave: bool = False
    passing: bool = False


STATES = {
    "running": GuestCondition(),
    "paused": GuestCondition("it is paused: somebody or some program stopped it"),
    "suspended": GuestCondition("it sleeps: the guest suspended itself to memory"),
    "prelaunch": GuestCondition("it has not been started yet"),
    "shutdown": GuestCondition("it has shut down, and its process waits", grave=True),
    "internal-error": GuestCondition("it stopped on an internal error of the hypervisor", grave=True),
    "guest-panicked": GuestCondition("its kernel panicked", grave=True),
    "watchdog": GuestCondition("its watchdog ran out: the guest hung", grave=True),
    "io-error": GuestCondition("it is paused on an I/O error", grave=True),
    "debug": GuestCondition("it is stopped by a debugger"),
    "colo": GuestCondition("it is being kept in step with a copy of it", passing=True),
    "inmigrate": GuestCondition("it waits for its state to come in", passing=True),
    "finish-migrate": GuestCondition("its state is being handed over", passing=True),
    "postmigrate": GuestCondition("it has been handed over to another process, and stopped here"),
    "restore-vm": GuestCondition("its state is being loaded", passing=True),
    "save-vm": GuestCondition("its state is being saved", passing=True),
}


def condition_of(guest: Guest) -> GuestCondition:
    """What the guest's state means, with the disks that cause it."""
    known = STATES.get(guest.state)
    if known is None:
        return GuestCondition(f"its state is {clip(guest.state)!r}, which is not known here")
    if guest.state == "io-error":
        because = f": {_because(guest.failing)}" if guest.failing else ""
        return GuestCondition(f"{known.reason}{because}", grave=True)
    if guest.failing and not known.reason:
        return GuestCondition(f"it runs, but {_because(guest.failing)}")
    return known


def _because(failing: tuple[Drive, ...]) -> str:
    """Which disks have a problem, and which: no space on the storage below, or another error."""
    first = failing[0]
    more = f" (and {len(failing) - 1} more)" if len(failing) > 1 else ""
    where = f" ({clip(first.file)})" if first.file else ""
    met = "found no space left beneath it" if first.io_status == "nospace" else "met an error beneath it"
    return f"disk {clip(first.name, 60)}{where}{more} {met}"
