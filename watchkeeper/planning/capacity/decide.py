"""Is there enough capacity? Combines the stores (space.py) and the machine (machine.py); the best store first.

It fits if it fits now and by DECIDES_D days with the present growth, in 19 of 20 futures, on one of the stores in
question, and memory and CPUs suffice. Whether the store would hold every disk fully written is reported but does not
decide: disks are thin on purpose. A limit on allocation that the operator has set does decide.
"""

import math
from collections.abc import Mapping

from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.capacity import machine, space
from watchkeeper.planning.capacity.answer import CapacityAnswer, Fit, Limits, Peak, Recorded, StoreAnswer
from watchkeeper.planning.capacity.question import Question, candidates, check
from watchkeeper.planning.host_state import HostNow

_BEST = (Fit.YES, Fit.UNKNOWN, Fit.NO)


def answer(
    question: Question, host: HostNow, recorded: Mapping[SeriesKey, Recorded], peak: Peak | None, limits: Limits
) -> CapacityAnswer:
    """Answer a question. Raises BadQuestion. recorded: by the store's key; a store that is missing has no history."""
    check(question, host)
    stores = candidates(question, host) if question.of_disk else ()
    found = [space.answer(question, each, recorded.get(each.key, Recorded()), limits) for each in stores]
    found.sort(key=_rank)
    memory, cpu = machine.memory(question, host, peak, limits), machine.cpu(question, host)
    fits = [part.fit for part in (memory, cpu) if part.asked] + [each.fit for each in found[:1]]
    return CapacityAnswer(host.at, question, Fit.of_all(fits), tuple(found), memory, cpu, host.unseen)


def _rank(store: StoreAnswer) -> tuple[int, float, float, str]:
    """Sort key, best first: it fits, it is full the latest, it has the most free space."""
    after = store.after
    early = 0.0 if after is None else math.inf if after.earliest_d is None else after.earliest_d
    return _BEST.index(store.fit), -early, -store.free_bytes, store.key.subject
