"""The JSON form of a capacity answer, for the command and the API."""

from watchkeeper.planning.capacity import text as wording
from watchkeeper.planning.capacity.answer import CapacityAnswer, CpuAnswer, LevelNow, MemoryAnswer, Reason, StoreAnswer
from watchkeeper.planning.capacity.futures import TimeToFull
from watchkeeper.planning.capacity.question import Question
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.planning import response_types as forms


def capacity_form(answer: CapacityAnswer) -> forms.CapacityAnswer:
    """The whole answer; stores has the best first."""
    return {
        "at": stamp(answer.at),
        "fits": answer.fit,
        "summary": wording.verdict(answer),
        "question": _question(answer.question),
        "stores": [_store(each) for each in answer.stores],
        "memory": _memory(answer.memory),
        "cpus": _cpus(answer.cpu),
        "cautions": wording.cautions(answer),
        "not_seen": list(answer.unseen),
    }


def _question(asked: Question) -> forms.Question:
    return {
        "disk_bytes": asked.disk_bytes,
        "memory_bytes": asked.memory_bytes,
        "cpus": asked.cpus,
        "written_bytes": asked.written_bytes,
        "growth_bytes_per_day": asked.grows_bytes_per_day,
        "reserved": asked.reserved,
        "enlarged_guest": asked.enlarges,
        "store": asked.store,
        "added_host_disk_bytes": asked.host_disk_bytes,
        "added_host_memory_bytes": asked.host_memory_bytes,
    }


def _store(store: StoreAnswer) -> forms.StoreCapacity:
    return {
        "subject": store.key.subject,
        "quantity": store.key.quantity,
        "kind": store.kind,
        "fits": store.fit,
        "reasons": [_reason(each, store.key.subject) for each in store.reasons],
        "used_bytes": store.used_bytes,
        "capacity_before_bytes": store.capacity_before_bytes,
        "capacity_bytes": store.capacity_bytes,
        "added_now_bytes": store.added_now_bytes,
        "added_at_most_bytes": store.added_bytes,
        "allocated_before_bytes": store.promised_before_bytes,
        "allocated_bytes": store.promised_bytes,
        "allocated_unwritten_bytes": store.outstanding_bytes,
        "allocated_before_share": store.overcommit_before_share,
        "allocated_share": store.overcommit_share,
        "history_days": store.recorded_d,
        "growth_bytes_per_day": store.growth_bytes_per_day,
        "time_to_full_before": _time(store.before),
        "time_to_full_after": _time(store.after),
        "levels_at_current_growth": [_level(each) for each in store.growing],
        "levels_fully_written": [_level(each) for each in store.written],
        "largest_disk_bytes": store.largest_bytes,
        "largest_covered_disk_bytes": store.largest_kept_bytes,
    }


def _time(found: TimeToFull | None) -> forms.TimeToFull | None:
    if found is None:
        return None
    return {
        "earliest_days": found.earliest_d,
        "likely_days": found.likely_d,
        "latest_days": found.latest_d,
        "never_full_share": found.never_share,
        "linear_days": found.straight_d,
    }


def _level(at: LevelNow) -> forms.LevelAt:
    return {
        "day": at.day,
        "fits": at.fit,
        "level_bytes": at.level_bytes,
        "high_bytes": at.high_bytes,
        "shortfall_bytes": at.short_bytes,
    }


def _reason(found: Reason, subject: str) -> forms.Reason:
    return {"reason": found.lack, "text": wording.reason(found, subject)}


def _memory(found: MemoryAnswer) -> forms.MemoryCapacity:
    return {
        "asked": found.asked,
        "fits": found.fit,
        "reasons": [_reason(each, "memory") for each in found.reasons],
        "total_before_bytes": found.total_before_bytes,
        "total_bytes": found.total_bytes,
        "allocated_before_bytes": found.promised_before_bytes,
        "allocated_bytes": found.promised_bytes,
        "allocated_before_share": found.overcommit_before_share,
        "allocated_share": found.overcommit_share,
        "host_own_bytes": found.own_bytes,
        "peak_in_use_bytes": found.peak_bytes,
        "history_days": found.recorded_d,
        "largest_guest_bytes": found.largest_bytes,
        "guests_unknown": list(found.unknown),
    }


def _cpus(found: CpuAnswer) -> forms.CpuCapacity:
    return {
        "asked": found.asked,
        "fits": found.fit,
        "reasons": [_reason(each, "CPUs") for each in found.reasons],
        "cpus": found.cpus,
        "vcpus_before": found.vcpus_before,
        "vcpus": found.vcpus,
        "vcpus_per_cpu_before": found.overcommit_before_share,
        "vcpus_per_cpu": found.overcommit_share,
        "guests_unknown": list(found.unknown),
    }
