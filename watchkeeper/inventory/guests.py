"""Reads guests for planning: from their monitors or libvirt, and those that are not running as they were last seen."""

from collections.abc import Mapping

from watchkeeper.errors import ProbeError
from watchkeeper.inventory.scan_context import Part, ScanContext
from watchkeeper.planning.host_state import Disk, GuestNow
from watchkeeper.probes.guests.changes import KnownGuest, given_to
from watchkeeper.probes.guests.guests import GuestsState
from watchkeeper.probes.guests.settings import GuestsSettings
from watchkeeper.probes.guests.sources import ask_guests, names_of
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState

RUNS = "running"
"""QEMU's word for a guest that is running (qemu-qmp-ref(7), RunState)."""


async def see(scene: ScanContext) -> Part:
    """Every guest of every `guests` probe."""
    probes = [each for each in scene.settings.probes if isinstance(each, GuestsSettings)]
    if not probes:
        why = 'guests: no probe of kind "guests" is configured, so guests and their disks are not known'
        return Part(unseen=(why,))
    parts = [await _see(scene, each) for each in probes]
    return Part(
        guests=tuple(guest for part in parts for guest in part.guests),
        unseen=tuple(why for part in parts for why in part.unseen),
    )


async def _see(scene: ScanContext, settings: GuestsSettings) -> Part:
    page = await ProbeState(scene.bench.probe_states, settings.label, GuestsState()).read()
    try:
        asked, hidden = await ask_guests(scene.bench, settings, page.names)
    except ProbeError as error:
        before = tuple(_guest(name, None, known) for name, known in page.known.items())
        return Part(guests=before, unseen=(f"guests: {error}",))
    names = names_of(asked, page.names)
    answers = {names[each.path]: each for each in asked}
    guests, unseen = [], [f"{each.what}: {each.why}" for each in hidden]
    for name in dict.fromkeys([*names.values(), *page.known]):
        each = answers.get(name)
        if each is not None and each.guest is not None:
            guests.append(_guest(name, each.guest.state == RUNS, given_to(each.guest)))
            continue
        known = page.known.get(name, KnownGuest())
        guests.append(_guest(name, None if each else False, known))
        if not known.disks:
            why = clip(each.trouble, 200) if each else "it is not running, and its disks were never seen"
            unseen.append(f"guest {printable(name)}: {why}")
    return Part(guests=tuple(guests), unseen=tuple(unseen))


def _guest(name: str, running: bool | None, given: KnownGuest) -> GuestNow:  # noqa: FBT001  None: no monitor answered
    disks: Mapping[str, int | None] = given.disks
    return GuestNow(
        name, running, given.memory_bytes, given.vcpus, tuple(Disk(path, size) for path, size in disks.items())
    )
