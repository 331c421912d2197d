"""What planning sees at the invented station: pool, guests and snapshots as in the story. The answers are real.

Every figure is made up. Nothing is read from the host that the demo runs on.
"""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watchkeeper.demo import story
from watchkeeper.demo.story import Moment
from watchkeeper.inventory.planner import HostPlanner, HostReader
from watchkeeper.inventory.reclaim.stores import StoreContext, StoreReader
from watchkeeper.inventory.target import Target, find
from watchkeeper.model.observation import Answer, Deadline, SeriesKey
from watchkeeper.planning.backups import BackupsAnswer, GuestCopy, judge
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow, Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.planning.preflight import decide
from watchkeeper.planning.preflight.decide import Answered, Copy, Point, PreflightAnswer
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.planning.reclaim.snapshots import Bounds, Candidate, Freed, SetLimit
from watchkeeper.probes.base import ProbeContext
from watchkeeper.settings import Settings
from watchkeeper.store.store import Store
from watchkeeper.web.planning.planner import Change

GIB = 2**30
POOL = SeriesKey("pool skerry", "space")
KEPT_DAYS = 7
BACKUP_HOUR = timedelta(hours=1, minutes=20)
"""After its snapshot each guest is copied to the mainland, which takes this long."""
BACKUP_LIMIT = timedelta(hours=26)


MAINLAND = "the store on the mainland"
RESTORED_DAYS = {"hide-hub": 41, "ringing-db": 12}
"""How many days ago a restore of these guests was tried."""


@dataclass(frozen=True, slots=True)
class DemoGuest:
    """A guest. Sizes in GiB; alone: what only one of its snapshots holds, for each of them."""

    disk: int
    own: int
    memory: int
    vcpus: int
    alone: float


GUESTS = {
    "hide-hub": DemoGuest(64, 24, 2, 2, 0.4),
    "ringing-db": DemoGuest(256, 90, 8, 2, 2.5),
    "nest-cams": DemoGuest(1_792, 0, 8, 4, 9.0),
    "tide-log": DemoGuest(32, 9, 2, 1, 0.1),
}
"""The data of nest-cams is the rest of what the pool holds."""
SHARED = 0.5
"""Additional data, as a share of what a snapshot holds alone, in blocks that it shares with its neighbour."""


def taken(now: Moment) -> dict[str, list[datetime]]:
    """When the snapshots of each guest were taken, oldest first."""
    newest = {each.key.subject.removeprefix("snapshots of "): each for each in story.snapshots(now)}
    days = [timedelta(days=back) for back in range(KEPT_DAYS - 1, -1, -1)]
    return {
        guest: [seen.last_at - back for back in days]
        for guest, seen in newest.items()
        if isinstance(seen, Deadline) and seen.last_at is not None
    }


def host_now(now: Moment) -> HostNow:
    """The station as planning sees it."""
    used = round(story.pool_used(now))
    others = sum(each.own for each in GUESTS.values()) * GIB
    own = {name: each.own * GIB or max(used - others - 200 * GIB, 0) for name, each in GUESTS.items()}
    runs = not story.stopped(now)
    memory = next(each for each in story.host(now) if each.key.subject == "memory")
    return HostNow(
        at=now.at,
        memory_bytes=32 * GIB,
        available_bytes=32 * GIB - round(getattr(memory, "used", 0.0)),
        cpus=8,
        stores=(
            StoreNow(
                POOL,
                StoreKind.ZFS,
                used,
                round(story.CAPACITY),
                tuple(Volume(f"skerry/{name}", each.disk * GIB, own[name]) for name, each in GUESTS.items()),
                tuple(
                    Snapshot(f"skerry/{name}", label(at), at, round(GUESTS[name].alone * GIB))
                    for name, times in taken(now).items()
                    for at in times
                ),
            ),
        ),
        guests=tuple(
            GuestNow(
                name,
                runs,
                each.memory * GIB,
                each.vcpus,
                (Disk(f"/dev/zvol/skerry/{name}", each.disk * GIB, POOL, f"skerry/{name}"),),
            )
            for name, each in GUESTS.items()
        ),
    )


def label(at: datetime) -> str:
    """A snapshot's own name."""
    return f"daily-{at:%Y-%m-%d}"


@dataclass(frozen=True, slots=True)
class DemoSnapshots:
    """The snapshots of the invented pool, for the question what deleting them would free."""

    candidates: Sequence[Candidate]
    key: SeriesKey = POOL
    limits: Sequence[SetLimit] = ()

    async def freed(self, chosen: Collection[Candidate]) -> Freed:
        """What each holds alone, and what neighbours share if both are deleted."""
        parts = list(self._parts(chosen))
        return Freed(Bounds(sum(parts), sum(parts)))

    def _parts(self, chosen: Collection[Candidate]) -> Iterator[int]:
        before: Candidate | None = None
        for each in self.candidates:
            if each in chosen:
                yield each.alone.least
                if before is not None and before.of == each.of and before in chosen:
                    yield round(each.alone.least * SHARED)
            before = each


def shelf(now: Moment) -> DemoSnapshots:
    """All snapshots of the station, grouped by guest."""
    return DemoSnapshots(
        [
            Candidate(POOL, f"skerry/{name}@{label(at)}", f"skerry/{name}", label(at), at, _exactly(GUESTS[name].alone))
            for name, times in taken(now).items()
            for at in times
        ]
    )


def _exactly(gib: float) -> Bounds:
    return Bounds(round(gib * GIB), round(gib * GIB))


class DemoPlanner(HostPlanner):
    """The daemon's planner for the invented station. Services and backups come from the story: there is no probe."""

    def __init__(self, settings: Settings, store: Store, bench: ProbeContext, moment: Callable[[], Moment]) -> None:
        async def look(_settings: Settings, _bench: ProbeContext) -> HostNow:
            return host_now(moment())

        async def finder(_place: StoreContext) -> Sequence[StoreReader]:
            return [shelf(moment())]

        super().__init__(settings, store, bench, HostReader(look, (("the invented pool", finder),)))
        self._moment = moment

    def _now_s(self) -> float:
        """Simulated seconds: in real ones an answer would be kept for days of the story."""
        return self._moment().at.timestamp()

    async def _points(self, change: Change, host: HostNow) -> PreflightAnswer:
        answer = await super()._points(change, host)
        if change.afterwards:
            return answer
        target = find(change.subject, self._settings, host, await self._store.series())
        invented = [*self._backups(target), *self._answers(target)]
        replaced = {each.matter for each in invented}
        kept = [each for each in answer.points if each.matter not in replaced]
        added = [each for each in invented if each.matter not in change.skipped]
        order = list(Matter)
        return replace(answer, points=tuple(sorted([*kept, *added], key=lambda each: order.index(each.matter))))

    def _backups(self, target: Target) -> Iterator[Point]:
        for guest in target.guests:
            yield from decide.backup_points([self._copy(guest)], f"guest {guest.name}", self._moment().at)

    def _copy(self, guest: GuestNow) -> Copy:
        now = self._moment()
        last_at = taken(now)[guest.name][-1] + BACKUP_HOUR
        if last_at > now.at:
            last_at -= timedelta(days=1)
        return Copy(f"backup of {guest.name}", last_at, last_at + BACKUP_LIMIT)

    async def _copies(self, host: HostNow) -> BackupsAnswer:
        at = self._moment().at
        restored = {name: at - timedelta(days=days) for name, days in RESTORED_DAYS.items()}
        found = [
            judge(each, [GuestCopy(self._copy(each), (MAINLAND,), restored_at=restored.get(each.name))], at, (), ())
            for each in host.guests
        ]
        return BackupsAnswer(at, tuple(found), (MAINLAND,))

    def _answers(self, target: Target) -> Iterator[Point]:
        seen = {each.key: each for each in story.services(self._moment()) if isinstance(each, Answer)}
        asked = [seen[key] for key, _ in target.services if key in seen]
        points = [Answered(each.key, each.answered, each.reason, each.took_s) for each in asked]
        return iter(tuple(decide.answer_points(points, target.subject)))
