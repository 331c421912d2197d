"""All entries, in the order of the manual; the first one that matches an alert is used."""

from collections.abc import Mapping

from watchkeeper.messages.runbook import (
    host,
    monitoring,
    services,
    snapshots,
    storage_damage,
    storage_faults,
    storage_filling,
    storage_layers,
    units,
)
from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey

CAUTION = (
    "Look before you act. Make one change at a time. Before you repair or replace anything, check that a backup exists "
    "on another machine."
)
"""Applies to every entry."""

CHAPTERS: Mapping[str, tuple[RunbookEntry, ...]] = {
    "What fills": storage_filling.ENTRIES,
    "Storage faults": storage_damage.ENTRIES + storage_faults.ENTRIES + storage_layers.ENTRIES,
    "Snapshots, backups, certificates": snapshots.OVERDUE + snapshots.AT_FAULT,
    "Guests and services": services.ENTRIES + units.ENTRIES,
    "The host": host.ENTRIES,
    "watchkeeper itself, and many alerts at once": monitoring.ENTRIES,
    "All other alerts": monitoring.OTHER,
}

REMEDIES: tuple[RunbookEntry, ...] = tuple(entry for chapter in CHAPTERS.values() for entry in chapter)


def find_entry(concern: Concern, key: SeriesKey) -> RunbookEntry:
    """What to do about an alert. There is always an entry: the last chapter has one for each concern."""
    return next(entry for entry in REMEDIES if entry.is_for(concern, key))
