"""The planner over an in-memory store: it sees the planning tests' host, with the fill levels from the store."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

from tests.planning.houses import GIB, HOUSE, POOL
from tests.support.readstore import ReadStoreDouble
from watchkeeper.clock import Clock
from watchkeeper.config.paths import StoreSettings
from watchkeeper.inventory.planner import HostPlanner, HostReader
from watchkeeper.inventory.reclaim.stores import StoreContext, StoreReader
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.planning.host_state import HostNow
from watchkeeper.planning.reclaim.snapshots import Bounds, Candidate, Freed, SetLimit
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.settings import Settings, known_model


def known() -> Settings:
    """A configuration without probes."""
    return known_model()(watch_host=False, store=StoreSettings(path=Path("/var/lib/watchkeeper/none.db")))


def seen(store: ReadStoreDouble, house: HostNow = HOUSE) -> HostNow:
    """The host at the store's time, with each of its stores as full as the store says."""
    levels = {each.observation.key: each.observation for each in store.seen if isinstance(each.observation, Level)}
    stores = [
        replace(each, used_bytes=round(now.used), capacity_bytes=round(now.capacity)) if now else each
        for each in house.stores
        for now in [levels.get(each.key)]
    ]
    at = store.now
    stores = [replace(each, snapshots=tuple(replace(s, made_at=at) for s in each.snapshots)) for each in stores]
    return replace(house, at=at, stores=tuple(stores))


@dataclass(frozen=True)
class Shelf:
    """Snapshots of one store; deleting several together frees half as much again as deleting each alone."""

    key: SeriesKey = POOL.key
    candidates: Sequence[Candidate] = ()
    limits: Sequence[SetLimit] = ()

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        alone = sum(each.alone.least for each in chosen)
        return Freed(Bounds(alone, alone * 3 // 2), ("the pool does not say how much of it is shared",))


def shelf(store: ReadStoreDouble, guest: str = "hide-hub") -> Shelf:
    """Three daily snapshots of a guest, and one that cannot be deleted."""
    return Shelf(
        candidates=[
            Candidate(
                POOL.key,
                f"skerry/{guest}@daily-{day}",
                f"skerry/{guest}",
                f"daily-{day}",
                store.now - timedelta(days=4 - day),
                Bounds(day * GIB, day * GIB),
                "it has a hold" if day == 0 else "",
            )
            for day in range(4)
        ]
    )


@dataclass
class Watcher:
    """A host reader that counts its reads; show: what it returns."""

    show: Callable[[], HostNow]
    holding: StoreReader
    looks: int = 0
    hindrance: list[Exception] = field(default_factory=list)

    async def look(self, _settings: Settings, _bench: ProbeContext) -> HostNow:
        self.looks += 1
        if self.hindrance:
            raise self.hindrance[0]
        return self.show()

    async def find(self, _place: StoreContext) -> Sequence[StoreReader]:
        self.looks += 1
        return [self.holding]

    @property
    def eyes(self) -> HostReader:
        return HostReader(self.look, (("the house", self.find),))


def planner_over(store: ReadStoreDouble, clock: Clock, house: HostNow = HOUSE, guest: str = "hide-hub") -> HostPlanner:
    """The daemon's planner, which sees a given host."""
    watcher = Watcher(lambda: seen(store, house), shelf(store, guest))
    return HostPlanner(known(), store, ProbeContext(clock, ThreadWorkers()), watcher.eyes)
