"""Reads a level's recorded history from the database. Not here: reading a CSV (csv_history.py)."""

import asyncio
import difflib
from dataclasses import dataclass
from datetime import UTC, datetime

import click

from watchkeeper.cli.backtest.csv_history import Record
from watchkeeper.cli.database import opened
from watchkeeper.errors import InputError
from watchkeeper.model.observation import Kind, SeriesKey, Unit
from watchkeeper.model.ports import ReadStore
from watchkeeper.model.records import Series
from watchkeeper.settings import Settings


@dataclass(frozen=True, slots=True)
class StoredHistory:
    """A record from the database, its unit, and the label of the probe that recorded it."""

    record: Record
    unit: Unit
    probe: str


def from_database(known: Settings, key: SeriesKey) -> StoredHistory:
    """Read a level's samples. Raises UsageError if there is no such level, InputError if it has no samples."""
    return asyncio.run(_open_and_read(known, key))


async def _open_and_read(known: Settings, key: SeriesKey) -> StoredHistory:
    async with opened(known) as store:
        return await read(store, key)


async def read(store: ReadStore, key: SeriesKey) -> StoredHistory:
    """Read a level's samples from a store. Raises UsageError if it has no such level."""
    levels = {each.key: each for each in await store.series() if each.kind is Kind.LEVEL}
    found = levels.get(key)
    if found is None:
        raise click.UsageError(_not_there(key, levels))
    samples = await store.samples(key, datetime.fromtimestamp(0, UTC), found.last_at)
    whole = [(s.at_s, s.value, s.bound) for s in samples if s.value is not None and s.bound is not None]
    if not whole:
        raise InputError(f'"{key}" has no samples in the database yet; try again after the next run of its probe')
    at_s, used, capacity = zip(*whole, strict=True)
    return StoredHistory(Record(at_s, used, capacity), found.unit or Unit.BYTES, found.probe)


def _not_there(key: SeriesKey, levels: dict[SeriesKey, Series]) -> str:
    names = {str(each): each for each in levels}
    near = difflib.get_close_matches(str(key), names, n=3, cutoff=0.3) or list(names)[:3]
    known = "; ".join(f'--subject "{names[n].subject}" --quantity "{names[n].quantity}"' for n in near)
    return f'the database has no level "{key}"; {f"known: {known}" if known else "it has no levels yet"}'
