"""Is there enough capacity? Fetches the recorded history and the operator's limits for planning/capacity/decide.py.

Used by the command and by the daemon's page; the arithmetic runs in a thread, so that the daemon is not blocked.
"""

import asyncio
from collections.abc import Iterable

from watchkeeper.config.types import ProbeSettings
from watchkeeper.inventory import growth
from watchkeeper.model.ports import ReadStore
from watchkeeper.planning.capacity import decide
from watchkeeper.planning.capacity.answer import CapacityAnswer, Limits
from watchkeeper.planning.capacity.question import Question, candidates, check
from watchkeeper.planning.host_state import HostNow, StoreKind
from watchkeeper.probes.guests.settings import GuestsSettings
from watchkeeper.probes.storage.lvm.volume_groups import LvmSettings
from watchkeeper.probes.storage.zfs.pools import ZfsSettings
from watchkeeper.settings import Settings


async def room(settings: Settings, store: ReadStore, host: HostNow, question: Question) -> CapacityAnswer:
    """Answer a question about a host. Raises BadQuestion if it cannot be asked, StoreError."""
    check(question, host)
    wanted = candidates(question, host) if question.of_disk else ()
    recorded = await growth.recorded(store, host, wanted)
    peak = await growth.memory_peak(store, host.at)
    return await asyncio.to_thread(decide.answer, question, host, recorded, peak, limits(settings.probes))


def limits(probes: Iterable[ProbeSettings]) -> Limits:
    """How much the operator allows to be allocated; the lowest of several limits for one thing."""
    stores: dict[StoreKind, float] = {}
    memory_share = [each.memory_limit for each in probes if isinstance(each, GuestsSettings)]
    for each in probes:
        if isinstance(each, ZfsSettings | LvmSettings) and each.overcommit_limit is not None:
            kind = StoreKind.ZFS if isinstance(each, ZfsSettings) else StoreKind.THIN
            stores[kind] = min(each.overcommit_limit, stores.get(kind, each.overcommit_limit))
    return Limits(stores, min(memory_share, default=1.0))
