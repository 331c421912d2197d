"""The JSON form of a capacity answer, for the command and the API."""

from watchkeeper.planning.capacity import text as wording
from watchkeeper.planning.capacity.answer import CpuAnswer, LevelNow, MemoryAnswer, Reason, RoomAnswer, StoreAnswer
from watchkeeper.planning.capacity.futures import TimeToFull
from watchkeeper.planning.capacity.question import Question
from watchkeeper.web.api.json_forms import Json, stamp


def room_form(answer: RoomAnswer) -> Json:
    """The whole answer; stores has the best first."""
    return {
        "at": stamp(answer.at),
        "fit": answer.fit.value,
        "says": wording.verdict(answer),
        "question": _question(answer.question),
        "stores": [_store(each) for each in answer.stores],
        "memory": _memory(answer.memory),
        "cpus": _cpus(answer.cpu),
        "cautions": wording.cautions(answer),
        "unseen": list(answer.unseen),
    }


def _question(asked: Question) -> Json:
    return {
        "disk_bytes": asked.disk_bytes,
        "memory_bytes": asked.memory_bytes,
        "cpus": asked.cpus,
        "written_bytes": asked.written_bytes,
        "grows_bytes_per_day": asked.grows_bytes_per_day,
        "reserved": asked.reserved,
        "enlarges": asked.enlarges,
        "store": asked.store,
        "host_disk_bytes": asked.host_disk_bytes,
        "host_memory_bytes": asked.host_memory_bytes,
    }


def _store(store: StoreAnswer) -> Json:
    return {
        "subject": store.key.subject,
        "quantity": store.key.quantity,
        "kind": store.kind.value,
        "fit": store.fit.value,
        "reasons": [_reason(each, store.key.subject) for each in store.reasons],
        "used_bytes": store.used_bytes,
        "capacity_before_bytes": store.capacity_before_bytes,
        "capacity_bytes": store.capacity_bytes,
        "added_now_bytes": store.added_now_bytes,
        "added_bytes": store.added_bytes,
        "promised_before_bytes": store.promised_before_bytes,
        "promised_bytes": store.promised_bytes,
        "outstanding_bytes": store.outstanding_bytes,
        "overcommit_before_share": store.overcommit_before_share,
        "overcommit_share": store.overcommit_share,
        "recorded_d": store.recorded_d,
        "growth_bytes_per_day": store.growth_bytes_per_day,
        "before": _time(store.before),
        "after": _time(store.after),
        "growing": [_stands(each) for each in store.growing],
        "written": [_stands(each) for each in store.written],
        "largest_bytes": store.largest_bytes,
        "largest_kept_bytes": store.largest_kept_bytes,
    }


def _time(found: TimeToFull | None) -> Json | None:
    if found is None:
        return None
    return {
        "earliest_d": found.earliest_d,
        "likely_d": found.likely_d,
        "latest_d": found.latest_d,
        "never_share": found.never_share,
        "straight_d": found.straight_d,
    }


def _stands(at: LevelNow) -> Json:
    return {
        "day": at.day,
        "fit": at.fit.value,
        "level_bytes": at.level_bytes,
        "high_bytes": at.high_bytes,
        "short_bytes": at.short_bytes,
    }


def _reason(found: Reason, subject: str) -> Json:
    return {"lack": found.lack.value, "says": wording.reason(found, subject)}


def _memory(found: MemoryAnswer) -> Json:
    return {
        "asked": found.asked,
        "fit": found.fit.value,
        "reasons": [_reason(each, "memory") for each in found.reasons],
        "total_before_bytes": found.total_before_bytes,
        "total_bytes": found.total_bytes,
        "promised_before_bytes": found.promised_before_bytes,
        "promised_bytes": found.promised_bytes,
        "overcommit_before_share": found.overcommit_before_share,
        "overcommit_share": found.overcommit_share,
        "own_bytes": found.own_bytes,
        "peak_bytes": found.peak_bytes,
        "recorded_d": found.recorded_d,
        "largest_bytes": found.largest_bytes,
        "unknown": list(found.unknown),
    }


def _cpus(found: CpuAnswer) -> Json:
    return {
        "asked": found.asked,
        "fit": found.fit.value,
        "reasons": [_reason(each, "CPUs") for each in found.reasons],
        "cpus": found.cpus,
        "vcpus_before": found.vcpus_before,
        "vcpus": found.vcpus,
        "overcommit_before_share": found.overcommit_before_share,
        "overcommit_share": found.overcommit_share,
        "unknown": list(found.unknown),
    }
