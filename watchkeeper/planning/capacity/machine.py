"""Memory and CPUs with one more guest: what is allocated against what there is, and what the host needs for itself."""

from collections.abc import Iterator

from watchkeeper.planning.capacity.answer import CpuAnswer, Fit, Lack, Limits, MemoryAnswer, Peak, Reason
from watchkeeper.planning.capacity.question import Question, guest_named
from watchkeeper.planning.host_state import HostNow

OWN_LEAST_BYTES = 2**30
OWN_LEAST_SHARE = 1 / 8
"""What a host needs for itself is at least 1 GiB, or an eighth of a small host: practice, without a source."""


def memory(question: Question, host: HostNow, peak: Peak | None, limits: Limits) -> MemoryAnswer:
    """Answer for memory. Guests that are stopped count too: they will be started again."""
    total = host.memory_bytes + question.host_memory_bytes
    promised = sum(each.memory_bytes or 0 for each in host.guests)
    most = peak or Peak(host.memory_bytes - host.available_bytes, 0.0)
    own = own_need_bytes(host, most)
    unknown = tuple(each.name for each in host.guests if each.memory_bytes is None)
    room_promised = limits.memory_share * total - own - promised
    room_in_use = total - most.in_use_bytes
    reasons = tuple(_memory_lacks(question.memory_bytes, room_promised, room_in_use, unknown))
    return MemoryAnswer(
        asked=question.memory_bytes > 0 or question.host_memory_bytes > 0,
        fit=_fit(reasons),
        reasons=reasons,
        total_before_bytes=host.memory_bytes,
        total_bytes=total,
        promised_before_bytes=promised,
        promised_bytes=promised + question.memory_bytes,
        own_bytes=round(own),
        peak_bytes=round(most.in_use_bytes),
        recorded_d=most.recorded_d,
        limit_share=limits.memory_share,
        largest_bytes=round(max(min(room_promised, room_in_use), 0.0)),
        unknown=unknown,
    )


def own_need_bytes(host: HostNow, peak: Peak) -> float:
    """What the host needs for itself: what was in use at the peak beyond all that is allocated to running guests.

    Guests rarely use all of theirs, so this is a lower bound; it is never set below a floor.
    """
    running = sum(each.memory_bytes or 0 for each in host.guests if each.running is not False)
    floor = min(OWN_LEAST_BYTES, OWN_LEAST_SHARE * host.memory_bytes)
    return max(peak.in_use_bytes - running, floor)


def _memory_lacks(asked: int, promised: float, in_use: float, unknown: tuple[str, ...]) -> Iterator[Reason]:
    if asked > promised:
        yield Reason(Lack.MEMORY_PROMISED, short=asked - promised)
    if asked > in_use:
        yield Reason(Lack.MEMORY_IN_USE, short=asked - in_use)
    if unknown and asked:
        yield Reason(Lack.GUESTS_UNKNOWN)


def cpu(question: Question, host: HostNow) -> CpuAnswer:
    """Answer for CPUs. They are time-shared, so no sum is too much; a guest with more than the host has only waits."""
    before = sum(each.vcpus or 0 for each in host.guests)
    has = (guest_named(question.enlarges, host).vcpus or 0) if question.enlarges is not None else 0
    over = has + question.cpus - host.cpus
    reasons = (Reason(Lack.CPUS, short=over),) if question.cpus and over > 0 else ()
    return CpuAnswer(
        asked=question.cpus > 0,
        fit=_fit(reasons),
        reasons=reasons,
        cpus=host.cpus,
        vcpus_before=before,
        vcpus=before + question.cpus,
        unknown=tuple(each.name for each in host.guests if each.vcpus is None),
    )


def _fit(reasons: tuple[Reason, ...]) -> Fit:
    if not reasons:
        return Fit.YES
    return Fit.UNKNOWN if all(each.lack is Lack.GUESTS_UNKNOWN for each in reasons) else Fit.NO
