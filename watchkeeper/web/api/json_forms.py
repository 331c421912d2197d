"""The JSON forms of records. Times are RFC 3339 in UTC; never NaN or infinity (RFC 8259); no secrets."""

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import assert_never, cast, overload

from watchkeeper.alerting.rules import instant
from watchkeeper.messages.delivery.stand_in import StandIn, ahead
from watchkeeper.messages.forecast_record import record_line
from watchkeeper.model.alert import CONCERN, Alert
from watchkeeper.model.change import Change
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, UnusualGrowth
from watchkeeper.model.forecast_record import RecordSummary
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey
from watchkeeper.model.records import Delivery, EventLine, Sample, Seen, Series
from watchkeeper.web.api import response_types as forms
from watchkeeper.web.dashboard.active_alert import ActiveAlert
from watchkeeper.web.dashboard.dashboard import Dashboard, OkSeries, Place, QuietSeries
from watchkeeper.web.dashboard.health import Check
from watchkeeper.web.dashboard.house_tree import Node

Ids = Mapping[SeriesKey, int]

LEARNING = frozenset(why for why in OkSeries if not why.known and why is not OkSeries.FAILING)
"""Of these, no more can be said yet."""


@overload
def stamp(at: datetime) -> str: ...
@overload
def stamp(at: datetime | None) -> str | None: ...
def stamp(at: datetime | None) -> str | None:
    """RFC 3339 with a Z; in milliseconds, the resolution of samples."""
    return None if at is None else at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def finite(value: float | None) -> float | None:
    """A number that JSON can hold, or null."""
    return value if value is not None and math.isfinite(value) else None


def key_form(key: SeriesKey, ids: Ids) -> forms.About:
    """Which quantity a record is about. quantity_id: null if the store has no such series."""
    return {"quantity_id": ids.get(key), "subject": key.subject, "quantity": key.quantity}


def quantity_form(series: Series) -> forms.Quantity:
    """A quantity of a subject, as the store knows it."""
    return {
        "id": series.id,
        "subject": series.key.subject,
        "quantity": series.key.quantity,
        "kind": series.kind,
        "unit": series.unit,
        "probe": series.probe,
        "interval_s": series.interval_s,
        "first_reading_at": stamp(series.first_at),
        "last_reading_at": stamp(series.last_at),
    }


def observation_form(seen: Observation) -> forms.Observation:
    """What was observed, by kind, with its details."""
    details: list[forms.Detail] = [{"name": name, "value": value} for name, value in seen.facts]
    match seen:
        case Level():
            return {
                "used": finite(seen.used),
                "capacity": finite(seen.capacity),
                "unit": seen.unit,
                "details": details,
            }
        case Deadline():
            return {
                "due_at": stamp(seen.due_at),
                "last_done_at": stamp(seen.last_at),
                "period_s": seen.period_s,
                "details": details,
            }
        case Answer():
            return {
                "answered": seen.answered,
                "reason": seen.reason,
                "response_time_s": finite(seen.took_s),
                "phases": [{"name": name, "duration_s": finite(took_s)} for name, took_s in seen.phases],
                "details": details,
            }
        case Condition():
            return {"ok": seen.ok, "reason": seen.reason, "failed": seen.grave, "details": details}
        case _:
            assert_never(seen)


def reading_form(seen: Seen) -> forms.KindOfReading:
    """An observation with its time."""
    # mypy knows no union of typed dictionaries in a display.
    return cast("forms.KindOfReading", {"at": stamp(seen.at), **observation_form(seen.observation)})


def point_form(sample: Sample, kind: Kind) -> forms.HistoryPoint:
    """One point of a history; the names of its values depend on the kind of the quantity."""
    value = finite(sample.value)
    at = stamp(datetime.fromtimestamp(sample.at_s, UTC))
    match kind:
        case Kind.LEVEL:
            return {"at": at, "used": value, "capacity": finite(sample.bound)}
        case Kind.DEADLINE:
            return {"at": at, "due_at": stamp(instant(value))}
        case Kind.ANSWER:
            return {"at": at, "answered": value is not None, "response_time_s": value}
        case Kind.CONDITION:
            return {"at": at, "ok": value == 1}
        case _:
            assert_never(kind)


def alert_form(alert: Alert, ids: Ids, now: datetime) -> forms.Alert:
    """An alert."""
    return {
        **key_form(alert.key, ids),
        "concern": alert.concern,
        "state": alert.state,
        "priority": alert.priority.word if alert.priority else None,
        "occurrence": alert.episode,
        "raised_at": stamp(alert.raised_at),
        "changed_at": stamp(alert.changed_at),
        "acknowledged_at": stamp(alert.acknowledged_at),
        "ended_at": stamp(alert.ended_at),
        "shelved_until": stamp(alert.shelved_until) if alert.shelved(now) else None,
    }


def finding_form(finding: Finding, ids: Ids) -> forms.Finding:
    """A finding, with its forecast."""
    return {
        **key_form(finding.key, ids),
        "concern": finding.concern,
        "at": stamp(finding.at),
        "priority": finding.priority.word if finding.priority else None,
        "expected_at": stamp(finding.ends_at),
        "earliest_at": stamp(finding.earliest_at),
        "latest_at": stamp(finding.latest_at),
        "since": stamp(finding.since),
        "reason": finding.reason,
        "forecast": forecast_form(finding.forecast) if finding.forecast else None,
    }


def forecast_form(found: Forecast) -> forms.Forecast:
    """The forecast behind a finding about a level."""
    return {
        "used": finite(found.used),
        "capacity": finite(found.capacity),
        "no_date_reason": found.no_end,
        "growth_per_day": finite(found.growth_per_day),
        "trend_since": stamp(instant(finite(found.since_s))),
        "cycle_s": finite(found.cycle_s),
        "cycles": found.cycles,
        "too_early": found.early,
        "unusual_growth": None if found.unusual is None else unusual_form(found.unusual),
        "stopped_at": stamp(instant(found.stopped_s)),
        "resting_since": stamp(instant(found.resting_since_s)),
    }


def unusual_form(found: UnusualGrowth) -> forms.UnusualGrowth:
    """A growth that is faster than any recorded one, and too young for a date."""
    return {
        "since": stamp(instant(found.since_s)),
        "per_day": finite(found.per_day),
        "full_at_this_rate_at": stamp(instant(found.full_s)),
    }


def record_form(found: RecordSummary) -> forms.ForecastRecord:
    """What became of forecasts."""
    return {
        "summary": record_line(found),
        "forecasts": found.count,
        "held": found.held,
        "cut_short": found.cut_short,
        "median_error": found.median_error,
        "fills": found.fills,
        "warned_in_time": found.warned,
    }


def event_form(line: EventLine, ids: Ids) -> forms.Event:
    """An entry of the event log."""
    return {
        "quantity_id": ids.get(line.key) if line.key else None,
        "subject": line.key.subject if line.key else None,
        "quantity": line.key.quantity if line.key else None,
        "id": line.id,
        "at": stamp(line.at),
        "kind": line.entry,
        "text": line.text,
        "concern": line.concern,
        "details": dict(line.details),
    }


def change_form(change: Change) -> forms.HostChange:
    """What changed on the host. not_before: null if `at` is the moment itself."""
    return {
        "at": stamp(change.at),
        "not_before": stamp(change.after),
        "kind": change.kind,
        "what": change.what,
        "action": change.action,
        "detail": change.detail,
    }


def delivery_form(delivery: Delivery) -> forms.Delivery:
    """A delivery: which message is for which notifier, and how far it got.

    The notifier's address and secrets are not part of a delivery.
    """
    return {
        "id": delivery.id,
        "notifier": delivery.notifier,
        "state": delivery.state,
        "attempts": delivery.tries,
        "last_error": delivery.trouble,
        "created_at": stamp(delivery.made_at),
        "next_attempt_at": stamp(delivery.due_at),
        "finished_at": stamp(delivery.done_at),
        "message": {
            "id": delivery.message.id,
            "thread": delivery.message.thread,
            "headline": delivery.message.headline,
        },
    }


def status_form(found: Dashboard, ids: Ids) -> forms.Dashboard:
    """The status: active alerts, times left, and what is OK, in the page's order."""
    return {
        "at": stamp(found.at),
        "monitored_quantities": found.watched,
        "newest_reading_at": stamp(found.newest_at),
        "active": [_active(s, ids, found) for s in found.needing],
        "acknowledged": [_active(s, ids, found) for s in found.known],
        "shelved": [_active(s, ids, found) for s in found.aside],
        "rectified": [_active(s, ids, found) for s in found.over],
        "time_left": [_time_left(p, ids) for p in found.places],
        "ok": [_ok(q, ids) for q in found.quiet if q.why.known],
        "failing": [_ok(q, ids) for q in found.quiet if q.why is OkSeries.FAILING],
        "learning": [_ok(q, ids) for q in found.quiet if q.why in LEARNING],
        "not_observed": [{"probe": each.probe, "what": each.what, "reason": each.why} for each in found.unseen],
    }


def stand_ins_form(every: Iterable[StandIn], now: datetime) -> list[forms.StandIn]:
    """Who gets messages as well while the operator is away, now or later."""
    return [
        {
            "notifier": each.notifier,
            "since": stamp(each.begin_at),
            "until": stamp(each.end_at),
            "at_least": each.at_least.word,
            "note": each.note,
        }
        for each in ahead(every, now)
    ]


def tree_form(nodes: Sequence[Node], found: Dashboard) -> list[forms.TreeNode]:
    """What is inside what: stores, guests, containers and services, outermost first."""
    return [_node(each, found) for each in nodes]


def _node(node: Node, found: Dashboard) -> forms.TreeNode:
    """A subject. Its priority is the highest of its own alerts, not of what is inside it."""
    priorities = (found.priorities.get((each.key, CONCERN[each.kind])) for each in node.items)
    highest = max((each for each in priorities if each is not None), default=None)
    return {
        "subject": node.subject,
        "quantity_ids": [each.series_id for each in node.items],
        "priority": highest.word if highest else None,
        "inside": tree_form(node.inside, found),
    }


def _active(active: ActiveAlert, ids: Ids, found: Dashboard) -> forms.ActiveAlert:
    finding = finding_form(active.finding, ids) if active.finding else None
    consequences = [_active(each, ids, found) for each in active.holds]
    return {**alert_form(active.alert, ids, found.at), "finding": finding, "consequences": consequences}


def _time_left(place: Place, ids: Ids) -> forms.TimeLeft:
    return {
        **key_form(place.finding.key, ids),
        "concern": place.finding.concern,
        "priority": place.priority.word if place.priority else None,
        "time_left_s": round(place.left_s),
        "expected_at": stamp(place.finding.ends_at),
        "earliest_at": stamp(place.finding.earliest_at) if place.forecast else None,
        "latest_at": stamp(place.finding.latest_at) if place.forecast else None,
    }


def _ok(quiet: QuietSeries, ids: Ids) -> forms.OkQuantity:
    found = quiet.finding.forecast if quiet.finding else None
    growth = None if found is None or found.unusual is None else unusual_form(found.unusual)
    return {**key_form(quiet.key, ids), "reason": forms.OK_REASONS[quiet.why], "unusual_growth": growth}


def check_form(check: Check) -> forms.Check:
    """One check of draft-inadarei-api-health-check-06; members without a value are left out."""
    form: forms.Check = {"status": check.fitness}
    if check.observed is not None:
        form["observedValue"] = finite(check.observed) if isinstance(check.observed, float) else check.observed
    if check.unit:
        form["observedUnit"] = check.unit
    if check.at:
        form["time"] = stamp(check.at)
    if check.output:
        form["output"] = check.output
    return form
