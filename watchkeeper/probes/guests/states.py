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
    "paused": GuestCondition("it is paused"),
    "suspended": GuestCondition("it suspended itself to memory"),
    "prelaunch": GuestCondition("it has not been started yet"),
    "shutdown": GuestCondition("it has shut down, but its process still runs", grave=True),
    "internal-error": GuestCondition("it stopped on an internal error of the hypervisor", grave=True),
    "guest-panicked": GuestCondition("its kernel panicked", grave=True),
    "watchdog": GuestCondition("its watchdog timed out: the guest hung", grave=True),
    "io-error": GuestCondition("it is paused on an I/O error", grave=True),
    "debug": GuestCondition("it is stopped by a debugger"),
    "colo": GuestCondition("it is being replicated", passing=True),
    "inmigrate": GuestCondition("it is waiting for its state (incoming migration)", passing=True),
    "finish-migrate": GuestCondition("it is being migrated", passing=True),
    "postmigrate": GuestCondition("it was migrated to another process and is stopped here"),
    "restore-vm": GuestCondition("its state is being loaded", passing=True),
    "save-vm": GuestCondition("its state is being saved", passing=True),
}


def condition_of(guest: Guest) -> GuestCondition:
    """What the guest's state means, with the disks that cause it."""
    known = STATES.get(guest.state)
    if known is None:
        return GuestCondition(f'unknown state "{clip(guest.state)}"')
    if guest.state == "io-error":
        because = f": {_because(guest.failing)}" if guest.failing else ""
        return GuestCondition(f"{known.reason}{because}", grave=True)
    if guest.failing and not known.reason:
        return GuestCondition(f"it is running, but {_because(guest.failing)}")
    return known


def _because(failing: tuple[Drive, ...]) -> str:
    """Which disks have a problem, and which: no space on the storage below, or another error."""
    first = failing[0]
    more = f" (and {len(failing) - 1} more)" if len(failing) > 1 else ""
    where = f" ({clip(first.file)})" if first.file else ""
    met = (
        "got 'no space' from the storage below it"
        if first.io_status == "nospace"
        else "got an error from the storage below it"
    )
    return f"disk {clip(first.name, 60)}{where}{more} {met}"
