"""The JSON forms of records. Times are RFC 3339 in UTC; never NaN or infinity (RFC 8259); no secrets."""

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import assert_never

from watchkeeper.alerting.rules import instant
from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey
from watchkeeper.model.records import Delivery, JournalLine, Sample, Seen, Series
from watchkeeper.web.dashboard.dashboard import ActiveAlert, Dashboard, Place, QuietSeries
from watchkeeper.web.dashboard.health import Check

Json = dict[str, object]
Ids = Mapping[SeriesKey, int]


def stamp(at: datetime | None) -> str | None:
    """RFC 3339 with a Z; in milliseconds, the resolution of samples."""
    return None if at is None else at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def finite(value: float | None) -> float | None:
    """A number that JSON can hold, or null."""
    return value if value is not None and math.isfinite(value) else None


def key_form(key: SeriesKey, ids: Ids) -> Json:
    """Which series a record is about. series: its id; null if the store has no such series."""
    return {"series": ids.get(key), "subject": key.subject, "quantity": key.quantity}


def series_form(series: Series) -> Json:
    """A series."""
    return {
        "id": series.id,
        "subject": series.key.subject,
        "quantity": series.key.quantity,
        "kind": series.kind.value,
        "unit": series.unit.value if series.unit else None,
        "probe": series.probe,
        "interval_s": series.interval_s,
        "first_at": stamp(series.first_at),
        "last_at": stamp(series.last_at),
    }


def observation_form(seen: Observation) -> Json:
    """What was observed, by kind, with its facts."""
    facts: Json = {"facts": [{"name": name, "value": value} for name, value in seen.facts]}
    match seen:
        case Level():
            return {"used": finite(seen.used), "capacity": finite(seen.capacity), "unit": seen.unit.value} | facts
        case Deadline():
            times: Json = {"due_at": stamp(seen.due_at), "last_at": stamp(seen.last_at), "period_s": seen.period_s}
            return times | facts
        case Answer():
            phases = [{"name": name, "took_s": finite(took_s)} for name, took_s in seen.phases]
            told: Json = {"answered": seen.answered, "reason": seen.reason, "took_s": finite(seen.took_s)}
            return told | {"phases": phases} | facts
        case Condition():
            return {"ok": seen.ok, "reason": seen.reason, "grave": seen.grave} | facts
        case _:
            assert_never(seen)


def seen_form(seen: Seen) -> Json:
    """An observation with its time."""
    return {"at": stamp(seen.at)} | observation_form(seen.observation)


def sample_form(sample: Sample, kind: Kind) -> Json:
    """One sample; the names of its values depend on the series' kind."""
    value = finite(sample.value)
    form: Json = {"at": stamp(datetime.fromtimestamp(sample.at_s, UTC))}
    match kind:
        case Kind.LEVEL:
            return form | {"used": value, "capacity": finite(sample.bound)}
        case Kind.DEADLINE:
            return form | {"due_at": stamp(instant(value))}
        case Kind.ANSWER:
            return form | {"answered": value is not None, "took_s": value}
        case Kind.CONDITION:
            return form | {"ok": value == 1}
        case _:
            assert_never(kind)


def alert_form(alert: Alert, ids: Ids, now: datetime) -> Json:
    """An alert."""
    return key_form(alert.key, ids) | {
        "concern": alert.concern.value,
        "state": alert.state.value,
        "priority": alert.priority.word if alert.priority else None,
        "episode": alert.episode,
        "raised_at": stamp(alert.raised_at),
        "changed_at": stamp(alert.changed_at),
        "acknowledged_at": stamp(alert.acknowledged_at),
        "ended_at": stamp(alert.ended_at),
        "shelved_until": stamp(alert.shelved_until) if alert.shelved(now) else None,
    }


def finding_form(finding: Finding, ids: Ids) -> Json:
    """A finding, with its forecast."""
    return key_form(finding.key, ids) | {
        "concern": finding.concern.value,
        "at": stamp(finding.at),
        "priority": finding.priority.word if finding.priority else None,
        "ends_at": stamp(finding.ends_at),
        "earliest_at": stamp(finding.earliest_at),
        "latest_at": stamp(finding.latest_at),
        "since": stamp(finding.since),
        "reason": finding.reason,
        "forecast": forecast_form(finding.forecast) if finding.forecast else None,
    }


def forecast_form(found: Forecast) -> Json:
    """The forecast behind a finding about a level."""
    return {
        "used": finite(found.used),
        "capacity": finite(found.capacity),
        "no_end": found.no_end.value if found.no_end else None,
        "growth_per_day": finite(found.growth_per_day),
        "since": stamp(instant(finite(found.since_s))),
        "cycle_s": finite(found.cycle_s),
    }


def journal_form(line: JournalLine, ids: Ids) -> Json:
    """An entry of the event log."""
    about: Json = {"series": None, "subject": None, "quantity": None}
    if line.key:
        about = key_form(line.key, ids)
    return about | {
        "id": line.id,
        "at": stamp(line.at),
        "entry": line.entry.value,
        "text": line.text,
        "concern": line.concern.value if line.concern else None,
        "details": dict(line.details),
    }


def parcel_form(parcel: Delivery) -> Json:
    """A delivery of the outbox: which message is for whom and what the state of the delivery is.

    The notifier's address and secrets are not part of a delivery.
    """
    return {
        "id": parcel.id,
        "notifier": parcel.notifier,
        "state": parcel.state.value,
        "tries": parcel.tries,
        "trouble": parcel.trouble,
        "made_at": stamp(parcel.made_at),
        "due_at": stamp(parcel.due_at),
        "done_at": stamp(parcel.done_at),
        "message": {"id": parcel.message.id, "thread": parcel.message.thread, "headline": parcel.message.headline},
    }


def board_form(board: Dashboard, ids: Ids) -> Json:
    """The content of the status page, in the page's order."""
    return {
        "at": stamp(board.at),
        "watched": board.watched,
        "newest_at": stamp(board.newest_at),
        "needing": [_standing(s, ids, board) for s in board.needing],
        "known": [_standing(s, ids, board) for s in board.known],
        "aside": [_standing(s, ids, board) for s in board.aside],
        "over": [_standing(s, ids, board) for s in board.over],
        "places": [_place(p, ids) for p in board.places],
        "quiet": [_quiet(q, ids) for q in board.quiet],
    }


def _standing(standing: ActiveAlert, ids: Ids, board: Dashboard) -> Json:
    finding = finding_form(standing.finding, ids) if standing.finding else None
    holds = [_standing(each, ids, board) for each in standing.holds]
    return alert_form(standing.alert, ids, board.at) | {"finding": finding, "holds": holds}


def _place(place: Place, ids: Ids) -> Json:
    return key_form(place.finding.key, ids) | {
        "concern": place.finding.concern.value,
        "priority": place.priority.word if place.priority else None,
        "left_s": round(place.left_s),
        "ends_at": stamp(place.finding.ends_at),
        "earliest_at": stamp(place.finding.earliest_at) if place.forecast else None,
        "latest_at": stamp(place.finding.latest_at) if place.forecast else None,
    }


def _quiet(quiet: QuietSeries, ids: Ids) -> Json:
    return key_form(quiet.key, ids) | {"why": quiet.why.value}


def check_form(check: Check) -> Json:
    """One check of draft-inadarei-api-health-check-06; members without a value are left out."""
    form: Json = {"status": check.fitness.value}
    if check.observed is not None:
        form["observedValue"] = finite(check.observed) if isinstance(check.observed, float) else check.observed
    if check.unit:
        form["observedUnit"] = check.unit
    if check.at:
        form["time"] = stamp(check.at)
    if check.output:
        form["output"] = check.output
    return form
