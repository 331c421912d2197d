"""The memory inside a guest, as the driver of its balloon reports it, and a balloon that leaves it too little. Pure.

QEMU asks the driver only if the guest was started with `guest-stats-polling-interval`; nothing is turned on here.
Source: virtio-balloon statistics in QEMU's documentation (interop/virtio-balloon-stats).
"""

from collections.abc import Iterator

from watchkeeper.model.observation import Condition, Facts, Level, SeriesKey
from watchkeeper.model.units import format_size
from watchkeeper.probes.guests.qmp import Guest

OLD_S = 300.0
"""Statistics that are older are not used: the guest hangs, is paused, or polling was turned off."""

SHORT_SHARE = 0.1
"""A guest with less than this share of its memory available is short of memory, if its balloon takes some."""


def observe_memory(name: str, guest: Guest, now_s: float) -> Iterator[Level | Condition]:
    """Memory in use inside, and whether the balloon leaves enough; nothing if the guest does not report it."""
    inside = guest.inside
    if inside is None or abs(now_s - inside.updated_s) > OLD_S:
        return
    used = inside.total_bytes - inside.available_bytes
    yield Level(SeriesKey(f"guest {name}", "memory inside"), used, inside.total_bytes)
    if guest.granted_bytes is None or not guest.promised_bytes:
        return
    taken = guest.promised_bytes - guest.granted_bytes
    short = taken > 0 and inside.available_bytes < SHORT_SHARE * inside.total_bytes
    facts: Facts = (("taken by its balloon", format_size(max(taken, 0))),)
    left = f"{format_size(guest.granted_bytes)} of {format_size(guest.promised_bytes)}"
    reason = f"its balloon leaves it {left}, and {format_size(inside.available_bytes)} are available in it"
    yield Condition(SeriesKey(f"guest {name}", "balloon"), not short, reason if short else "", facts=facts)
