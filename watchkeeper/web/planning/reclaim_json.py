"""The JSON form of what deleting snapshots would free, for the command and the API."""

from watchkeeper.alerting.rules import instant
from watchkeeper.model.forecast import Forecast
from watchkeeper.planning.reclaim.snapshots import Bounds, Candidate, Freed, Gain, ReclaimAnswer, SetHeld, StoreFreed
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.planning import response_types as forms


def reclaim_form(answer: ReclaimAnswer) -> forms.ReclaimAnswer:
    """The answer as JSON (RFC 8259). Sizes in bytes, times as RFC 3339."""
    return {
        "at": stamp(answer.at),
        "stores": [_store_form(each) for each in answer.stores],
        "sets": [_set_form(each) for each in answer.sets],
        "gain": None if answer.gain is None else _gain_form(answer.gain),
        "not_seen": list(answer.unseen),
    }


def _store_form(found: StoreFreed) -> forms.StoreReclaim:
    return {
        "store": found.store.subject,
        "quantity": found.store.quantity,
        "snapshots": [_candidate_form(each) for each in found.chosen],
        "cannot_be_deleted": [{**_candidate_form(each), "reason": each.stuck} for each in found.stuck],
        "frees": _freed_form(found.together),
        "sum_of_frees_alone": _bounds_form(found.alone),
        "full_before": _full_form(found.before),
        "full_after": _full_form(found.after),
    }


def _set_form(held: SetHeld) -> forms.SnapshotSet:
    return {
        "store": held.store.subject,
        "source": held.of,
        "name_pattern": held.called,
        "count": held.count,
        "cannot_be_deleted_count": held.stuck,
        "oldest_at": stamp(held.oldest_at),
        "newest_at": stamp(held.newest_at),
        "frees": _freed_form(held.together),
    }


def _gain_form(gain: Gain) -> forms.Gain:
    return {
        "store": gain.store.subject,
        "asked_s": gain.asked_s,
        "enough": gain.enough,
        "needed_bytes": gain.need_bytes,
        "unknown_reason": gain.hindrance,
        "delete": [_candidate_form(each) for each in gain.drop],
        "frees": _freed_form(gain.freed),
        "all_deletable": {"count": gain.droppable, **_freed_form(gain.all_of_them)},
        "kept": [{**_candidate_form(each), "reason": why} for each, why in gain.kept],
        "remaining": [
            {
                "source": each.of,
                "count_before": each.before,
                "count_after": each.after,
                "oldest_at": stamp(each.oldest_at),
            }
            for each in gain.left
        ],
        "full_before": _full_form(gain.before),
        "full_after": _full_form(gain.after),
    }


def _candidate_form(each: Candidate) -> forms.Snapshot:
    return {
        "name": each.name,
        "source": each.of,
        "created_at": stamp(each.made_at),
        "frees_alone": _bounds_form(each.alone),
    }


def _freed_form(freed: Freed) -> forms.Freed:
    return {
        **_bounds_form(freed.bounds),
        "reasons": list(freed.why),
        "from_reservation": _bounds_form(freed.set_aside),
    }


def _bounds_form(bounds: Bounds) -> forms.Bounds:
    return {"min_bytes": bounds.least, "max_bytes": bounds.most, "exact": bounds.exact}


def _full_form(found: Forecast | None) -> forms.FullTime | None:
    if found is None:
        return None
    return {
        "earliest_at": stamp(instant(found.earliest_s)),
        "likely_at": stamp(instant(found.likely_s)),
        "latest_at": stamp(instant(found.latest_s)),
        "no_date_reason": found.no_end,
    }
