"""What was the result of a change? Gathers the recorded hour before it and what came after, for
planning/preflight/compare.py.
"""

from collections.abc import Collection
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

from watchkeeper.inventory.preflight.preflight import Asking, Question
from watchkeeper.inventory.target import find
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.ports import ReadStore
from watchkeeper.model.records import Sample
from watchkeeper.planning.capacity.question import BadQuestion
from watchkeeper.planning.host_state import HostNow
from watchkeeper.planning.preflight import compare, decide
from watchkeeper.planning.preflight.compare import MemoryLeft, Speeds
from watchkeeper.planning.preflight.decide import PreflightAnswer
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host import memory
from watchkeeper.settings import Settings

HOUR = timedelta(hours=1)
RESTARTS = timedelta(days=7)
"""How far back to search for a restart of a guest as the time of the change."""


async def after_change(
    settings: Settings, store: ReadStore, host: HostNow, question: Question, bench: ProbeContext, since: datetime | None
) -> PreflightAnswer:
    """Report the result of a change. since: when it was made; None: detect it. Raises BadQuestion, StoreError.

    The hour before is compared with what came after. If no time is given, the change began at the newest snapshot or
    ended at the guest's last restart; what lies between the two belongs to neither side.
    """
    series, now = await store.series(), bench.clock.now()
    target = find(question.subject, settings, host, series)
    asking = Asking(settings, store, host, question, bench, target, series, now)
    begun, ended = (since, since) if since else await _changed(asking)
    if begun > now:
        raise BadQuestion("since is in the future; give the time at which the change was made", "since")
    points = [decide.guest_point(each) for each in target.guests]
    for key, _ in target.services:
        before = await store.samples(key, begun - HOUR, begun)
        points.append(compare.speed_point(_speeds(key, before, await store.samples(key, ended, now))))
    if not target.services:
        points += decide.answer_points([], target.subject)
    points.append(compare.memory_point(await _memory(store, begun, ended, now)))
    grounds = {*target.grounds, *(key.subject for key, _ in target.services)}
    alerts = [each for each in await store.alerts() if each.key.subject in grounds]
    points += compare.since_points(alerts, begun, now)
    points.append(asking.watch())
    kept = tuple(each for each in points if each.matter not in question.skipped)
    return replace(PreflightAnswer(target.subject, now, kept, host.unseen), since=begun)


async def _changed(asking: Asking) -> tuple[datetime, datetime]:
    """When a change began and ended: the newest snapshot of its disks, the last restart of its guests."""
    copies = await asking.copies_of_files()
    disks = [disk for guest in asking.target.guests for disk in guest.disks]
    newest = [at for disk in disks if (at := asking.newest(disk, copies).newest_at) is not None]
    restarts = [at for guest in asking.target.guests if (at := await _restarted(asking, guest.name)) is not None]
    found = [*newest, *restarts]
    if not found:
        raise BadQuestion("the time of the change is not known; give it with since", "since")
    begun = max(newest) if newest else max(restarts)
    return begun, max([begun, *restarts])


async def _restarted(asking: Asking, guest: str) -> datetime | None:
    """When the guest's count of written bytes last started again from zero; None if it never did."""
    key = SeriesKey(f"guest {guest}", "written")
    samples = [s for s in await asking.store.samples(key, asking.now - RESTARTS, asking.now) if s.value is not None]
    falls = [b for a, b in pairwise(samples) if (b.value or 0) < (a.value or 0)]
    return datetime.fromtimestamp(falls[-1].at_s, asking.now.tzinfo) if falls else None


def _speeds(key: SeriesKey, before: Collection[Sample], later: Collection[Sample]) -> Speeds:
    return Speeds(key, [each.value for each in before], [each.value for each in later])


async def _memory(store: ReadStore, begun: datetime, ended: datetime, now: datetime) -> MemoryLeft | None:
    key = SeriesKey(memory.SUBJECT, "in use")
    sides = [await store.samples(key, begun - HOUR, begun), await store.samples(key, ended, now)]
    left = [[s.bound - s.value for s in side if s.value is not None and s.bound is not None] for side in sides]
    totals = [s.bound for side in sides for s in side if s.bound]
    return MemoryLeft(left[0], left[1], totals[-1]) if totals else None
