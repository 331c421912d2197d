"""Sets of snapshots that a storage system keeps: those of some datasets or volumes, selected by name pattern.

An hourly set and a weekly one are two probes, each with its own limits. A probe for a storage system lists what it has
as `Origin`s and passes them to a `SetWatch`. Not here: what the ages mean (snapshot_ages.py), and running any tool.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fnmatch import fnmatchcase

from pydantic import Field

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Observation, SeriesKey
from watchkeeper.probes.storage.snapshot_ages import AgeLimits, Snapshot, observe_ages
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import RootsideSettings

AHEAD = timedelta(seconds=120)
"""A snapshot's time further in the future is not trusted: the host's clock was wrong when it was taken."""


ORIGINS_KEY = {"zfs-snapshots": "datasets", "lvm-snapshots": "volumes", "btrfs-snapshots": "filesystems"}
"""The key of the configuration that names what the snapshots are of, in the storage system's own term."""


class SetSettings(RootsideSettings):
    """What the settings of every set of snapshots have."""

    name: str = Field(min_length=1, description="name of the set, such as hourly")
    every: Duration = Field(300.0, description="time between runs")
    origins: tuple[str, ...] = Field(min_length=1, description="what they are snapshots of; globs")
    name_pattern: tuple[str, ...] = Field(
        ("*",), description="names of the snapshots in this set; globs such as hourly-*"
    )
    exclude: tuple[str, ...] = Field((), description="snapshots of these are not counted; globs")
    max_age: Duration = Field(description="maximum time from one snapshot to the next")
    oldest_limit: Duration | None = Field(
        None, description="maximum age of the oldest snapshot; by default there is no limit"
    )


@dataclass(frozen=True, slots=True)
class Origin:
    """Something that snapshots are taken of, and its existing snapshots."""

    name: str
    snapshots: Sequence[Snapshot] = ()


class SetWatch:
    """Monitors one set. It remembers when it first saw a snapshot that is dated in the future."""

    def __init__(self, settings: SetSettings, what: str) -> None:
        """what: the usual term for an origin: `dataset`, `volume`."""
        self._settings, self._what = settings, what
        self._first_seen: dict[tuple[str, str], datetime] = {}

    def observe(self, origins: Iterable[Origin], now: datetime) -> list[Observation]:
        """The ages of the newest and oldest for every origin of the set; a named origin that is missing is reported.

        Raises ProbeError if there is nothing to monitor.
        """
        watched = [each for each in origins if self._is_watched(each.name)]
        there = {each.name for each in watched}
        missing = [
            glob for glob in self._settings.origins if glob not in there and not any(sign in glob for sign in "*?[")
        ]
        if not watched and not missing:
            globs = ", ".join(clip(glob) for glob in self._settings.origins)
            raise ProbeError(f"no {self._what} has a name like {globs}; correct the name in the configuration")
        seen: list[Observation] = []
        first_seen: dict[tuple[str, str], datetime] = {}
        for each in watched:
            seen += self._ages(each, now, first_seen)
        self._first_seen = first_seen
        return [*seen, *self._there(there, missing)]

    def _is_watched(self, name: str) -> bool:
        settings = self._settings
        return _like(name, settings.origins) and not _like(name, settings.exclude)

    def _ages(self, origin: Origin, now: datetime, first_seen: dict[tuple[str, str], datetime]) -> list[Observation]:
        taken = [
            Snapshot(printable(each.name), self._made_at(origin.name, each, now, first_seen), each.size_bytes)
            for each in origin.snapshots
            if _like(each.name, self._settings.name_pattern)
        ]
        limits = AgeLimits(self._settings.max_age, self._settings.oldest_limit)
        return observe_ages(f"{printable(origin.name)} ({self._settings.name})", taken, now, limits)

    def _made_at(
        self, origin: str, snapshot: Snapshot, now: datetime, first_seen: dict[tuple[str, str], datetime]
    ) -> datetime:
        """When it was made, never in the future: a future date would make it the newest until that date has passed."""
        if snapshot.made_at <= now + AHEAD:
            return min(snapshot.made_at, now)
        key = (origin, snapshot.name)
        first_seen[key] = min(self._first_seen.get(key, now), now)
        return first_seen[key]

    def _there(self, there: Iterable[str], missing: Sequence[str]) -> list[Observation]:
        """Whether each origin that is named without a wildcard exists."""
        named = [name for name in self._settings.origins if name in set(there)]
        reason = f"this {self._what} does not exist; correct the name, or check why it was removed"
        return [
            Condition(SeriesKey(f"snapshots of {printable(name)} ({self._settings.name})", "there"), not why, why)
            for names, why in ((named, ""), (missing, reason))
            for name in names
        ]


def _like(name: str, globs: Iterable[str]) -> bool:
    # An exact name matches itself, even if it contains a bracket and would not match as a pattern.
    return any(name == glob or fnmatchcase(name, glob) for glob in globs)
