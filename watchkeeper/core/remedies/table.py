"""Every entry, in the order of the manual; the first that is for an alert counts."""

from collections.abc import Mapping

from watchkeeper.core.alerts import Concern
from watchkeeper.core.observation import SeriesKey
from watchkeeper.core.remedies import host, services, snapshots, storage_fault, storage_full, watch
from watchkeeper.core.remedies.entry import Remedy

CAUTION = (
    "Look before you act; one change at a time; and before you repair or replace anything, see that a backup exists on "
    "another machine."
)
"""For each of them."""

CHAPTERS: Mapping[str, tuple[Remedy, ...]] = {
    "What fills": storage_full.ENTRIES,
    "Storage at fault": storage_fault.ENTRIES,
    "Snapshots, backups, certificates": snapshots.OVERDUE + snapshots.AT_FAULT,
    "Guests and services": services.ENTRIES,
    "The host": host.ENTRIES,
    "The watch itself, and many alerts at once": watch.ENTRIES,
    "What no entry above is for": watch.OTHER,
}

REMEDIES: tuple[Remedy, ...] = tuple(entry for chapter in CHAPTERS.values() for entry in chapter)


def remedy(concern: Concern, key: SeriesKey) -> Remedy:
    """What to do about an alert. There is always an entry: the last chapter has one for each concern."""
    return next(entry for entry in REMEDIES if entry.is_for(concern, key))
