"""Asks about guests at every source: their monitors and libvirt; and finds the name of each."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.guests.libvirt import LibvirtGuests, names_at
from watchkeeper.probes.guests.monitors import Monitors
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.guests.settings import GuestsSettings
from watchkeeper.probes.guests.sockets import Asked
from watchkeeper.probes.support.sanitize import clip, printable


async def ask_guests(
    context: ProbeContext, settings: GuestsSettings, before: Mapping[str, str]
) -> tuple[list[Asked[Guest]], list[Unseen]]:
    """Ask every monitor, and libvirt. before: the names that were stored, by path.

    What libvirt cannot tell is one line for all of its guests. Raises as Monitors.ask_all does; and ProbeError if
    libvirt is the only source, may be asked, and fails.
    """
    asked, unseen = list[Asked[Guest]](), list[Unseen]()
    if settings.sockets:
        asked += await Monitors(context, settings.sockets, settings.timeout, settings.helper).ask_all()
    if settings.libvirt:
        wanted = names_at(settings.libvirt, list(before)) | frozenset(settings.expected)
        try:
            asked += await LibvirtGuests(context, settings.libvirt, settings.timeout).ask_all(wanted)
        except ProbeError as error:
            if not settings.sockets and not isinstance(error, (PrivilegeMissing, ToolMissing)):
                raise
            unseen.append(Unseen(f"guests of libvirt at {clip(settings.libvirt)}", str(error)))
    return asked, unseen


def names_of(asked: Sequence[Asked[Guest]], before: Mapping[str, str]) -> Mapping[str, str]:
    """Every guest's name by the path of its socket. before: the names that were stored.

    A guest that cannot be queried keeps the name that it reported last; one that never could be has its socket's name.
    """
    there: dict[str, str] = {}
    for each in asked:
        said = clip((each.guest.name if each.guest else each.name).strip())
        name = said or before.get(each.path) or clip(Path(each.path).stem)
        there[each.path] = f"{name} at {printable(each.path)}" if name in there.values() else name
    gone = {path: name for path, name in before.items() if path not in there and name not in there.values()}
    return {**gone, **there}
