"""JSON Schemas (draft 2020-12) of the API's answers, which json_forms.py makes; a test compares the two.

Every member is always present; one without a value is null. No other member is allowed.
"""

from watchkeeper.model.alert import Concern, Priority, State
from watchkeeper.model.availability import Period
from watchkeeper.model.change import ChangeKind
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Kind, Unit
from watchkeeper.model.records import DeliveryState, Entry
from watchkeeper.web.api.json_forms import OK_REASONS
from watchkeeper.web.dashboard.health import HealthReport

Schema = dict[str, object]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
YES_OR_NO: Schema = {"type": "boolean"}
INSTANT: Schema = {"type": "string", "format": "date-time"}


def known(**members: Schema) -> Schema:
    """An object with exactly these members."""
    return {"type": "object", "properties": members, "required": list(members), "additionalProperties": False}


def maybe(schema: Schema) -> Schema:
    """The same schema, or null."""
    if "type" in schema and "enum" not in schema:
        return {**schema, "type": [schema["type"], "null"]}
    return {"anyOf": [schema, {"type": "null"}]}


def many(schema: Schema) -> Schema:
    """A list of the schema."""
    return {"type": "array", "items": schema}


def word(*words: str) -> Schema:
    """One of a few words."""
    return {"type": "string", "enum": list(words)}


def ref(name: str) -> Schema:
    """A reference to a schema of SCHEMAS by its name."""
    return {"$ref": f"#/components/schemas/{name}"}


def either(*schemas: Schema) -> Schema:
    """Any of the schemas."""
    return {"anyOf": list(schemas)}


def items(name: str) -> Schema:
    """An object that holds a list."""
    return known(items=many(ref(name)))


ABOUT: dict[str, Schema] = {"quantity_id": maybe(WHOLE), "subject": TEXT, "quantity": TEXT}
PRIORITY = maybe(word(*(p.word for p in Priority)))
CONCERN = word(*(c.value for c in Concern))
DETAILS = many(known(name=TEXT, value=TEXT))

QUANTITY: dict[str, Schema] = {
    "id": WHOLE,
    "subject": TEXT,
    "quantity": TEXT,
    "kind": word(*(k.value for k in Kind)),
    "unit": maybe(word(*(u.value for u in Unit))),
    "probe": TEXT,
    "interval_s": maybe(NUMBER),
    "first_reading_at": INSTANT,
    "last_reading_at": INSTANT,
}
ALERT: dict[str, Schema] = {
    **ABOUT,
    "concern": CONCERN,
    "state": word(*(s.value for s in State)),
    "priority": PRIORITY,
    "occurrence": WHOLE,
    "raised_at": maybe(INSTANT),
    "changed_at": maybe(INSTANT),
    "acknowledged_at": maybe(INSTANT),
    "ended_at": maybe(INSTANT),
    "shelved_until": maybe(INSTANT),
}
EVENT: dict[str, Schema] = {
    "id": WHOLE,
    "at": INSTANT,
    "kind": word(*(e.value for e in Entry)),
    "text": TEXT,
    "concern": maybe(CONCERN),
    "details": {"type": "object", "additionalProperties": TEXT},
}
OBSERVATIONS: tuple[dict[str, Schema], ...] = (
    {"used": maybe(NUMBER), "capacity": maybe(NUMBER), "unit": word(*(u.value for u in Unit))},
    {"due_at": maybe(INSTANT), "last_done_at": maybe(INSTANT), "period_s": maybe(NUMBER)},
    {
        "answered": YES_OR_NO,
        "reason": TEXT,
        "response_time_s": maybe(NUMBER),
        "phases": many(known(name=TEXT, duration_s=maybe(NUMBER))),
    },
    {"ok": YES_OR_NO, "reason": TEXT, "failed": YES_OR_NO},
)
POINTS: tuple[dict[str, Schema], ...] = (
    {"used": maybe(NUMBER), "capacity": maybe(NUMBER)},
    {"due_at": maybe(INSTANT)},
    {"answered": YES_OR_NO, "response_time_s": maybe(NUMBER)},
    {"ok": YES_OR_NO},
)

MEASURED: dict[str, Schema] = {
    "measured_s": NUMBER,
    "not_measured_s": NUMBER,
    "no_answer_s": NUMBER,
    "outages": WHOLE,
    "outages_at_least": YES_OR_NO,
}

SCHEMAS: dict[str, Schema] = {
    "Availability": known(
        quantity_id=WHOLE,
        subject=TEXT,
        since=INSTANT,
        until=INSTANT,
        total=ref("MeasuredTime"),
        period=word(*(p.value for p in Period)),
        items=many(ref("AvailabilityOfPeriod")),
        outages=many(ref("Outage")),
    ),
    "AvailabilityList": items("Availability"),
    "MeasuredTime": known(**MEASURED),
    "AvailabilityOfPeriod": known(
        first_day={"type": "string", "format": "date"}, since=INSTANT, until=INSTANT, **MEASURED
    ),
    "Outage": known(since=INSTANT, until=maybe(INSTANT)),
    "Quantity": known(**QUANTITY),
    "Reading": either(*(known(at=INSTANT, **each, details=DETAILS) for each in OBSERVATIONS)),
    "HistoryPoint": either(*(known(at=INSTANT, **each) for each in POINTS)),
    "Alert": known(**ALERT),
    "Forecast": known(
        used=maybe(NUMBER),
        capacity=maybe(NUMBER),
        no_date_reason=maybe(word(*(n.value for n in NoEnd))),
        growth_per_day=maybe(NUMBER),
        trend_since=maybe(INSTANT),
        cycle_s=maybe(NUMBER),
        cycles=WHOLE,
        unusual_growth=maybe(ref("UnusualGrowth")),
    ),
    "UnusualGrowth": known(since=INSTANT, per_day=NUMBER, full_at_this_rate_at=INSTANT),
    "Finding": known(
        **ABOUT,
        concern=CONCERN,
        at=INSTANT,
        priority=PRIORITY,
        expected_at=maybe(INSTANT),
        earliest_at=maybe(INSTANT),
        latest_at=maybe(INSTANT),
        since=maybe(INSTANT),
        reason=TEXT,
        forecast=maybe(ref("Forecast")),
    ),
    "Event": known(quantity_id=maybe(WHOLE), subject=maybe(TEXT), quantity=maybe(TEXT), **EVENT),
    "Decision": known(
        **ABOUT,
        concern=CONCERN,
        at=INSTANT,
        steps=many(TEXT),
        message_id=maybe(TEXT),
        headline=maybe(TEXT),
        notifiers=many(ref("RouteChoice")),
    ),
    "RouteChoice": known(notifier=TEXT, not_sent_because=maybe(TEXT), held_until=maybe(INSTANT)),
    "DecisionList": items("Decision"),
    "HostChange": known(
        at=INSTANT,
        not_before=maybe(INSTANT),
        kind=word(*(k.value for k in ChangeKind)),
        what=TEXT,
        action=TEXT,
        detail=TEXT,
    ),
    "HostChangeList": items("HostChange"),
    "Maintenance": known(subject=TEXT, since=INSTANT, until=INSTANT, reason=TEXT),
    "MaintenanceList": items("Maintenance"),
    "Delivery": known(
        id=WHOLE,
        notifier=TEXT,
        state=word(*(p.value for p in DeliveryState)),
        attempts=WHOLE,
        last_error=TEXT,
        created_at=INSTANT,
        next_attempt_at=INSTANT,
        finished_at=maybe(INSTANT),
        message=known(id=TEXT, thread=TEXT, headline=TEXT),
    ),
    "ActiveAlert": known(**ALERT, finding=maybe(ref("Finding")), consequences=many(ref("ActiveAlert"))),
    "TimeLeft": known(
        **ABOUT,
        concern=CONCERN,
        priority=PRIORITY,
        time_left_s=WHOLE,
        expected_at=INSTANT,
        earliest_at=maybe(INSTANT),
        latest_at=maybe(INSTANT),
    ),
    "NotObserved": known(probe=TEXT, what=TEXT, reason=TEXT),
    "OkQuantity": known(
        **ABOUT, reason=word(*dict.fromkeys(OK_REASONS.values())), unusual_growth=maybe(ref("UnusualGrowth"))
    ),
    "Status": known(
        host=TEXT,
        summary=TEXT,
        monitoring_problems=many(TEXT),
        at=INSTANT,
        monitored_quantities=WHOLE,
        newest_reading_at=maybe(INSTANT),
        active=many(ref("ActiveAlert")),
        acknowledged=many(ref("ActiveAlert")),
        shelved=many(ref("ActiveAlert")),
        rectified=many(ref("ActiveAlert")),
        time_left=many(ref("TimeLeft")),
        ok=many(ref("OkQuantity")),
        learning=many(ref("OkQuantity")),
        not_observed=many(ref("NotObserved")),
        recent_events=many(ref("Event")),
    ),
    "ForecastRecord": known(
        summary=TEXT,
        forecasts=WHOLE,
        held=WHOLE,
        cut_short=WHOLE,
        median_error=maybe(NUMBER),
        fills=WHOLE,
        warned_in_time=WHOLE,
    ),
    "QuantityDetails": known(
        **QUANTITY,
        latest=maybe(ref("Reading")),
        findings=many(ref("Finding")),
        alerts=many(ref("Alert")),
        forecast_record=maybe(ref("ForecastRecord")),
        dependents=many(TEXT),
        recent_events=many(ref("Event")),
    ),
    "History": known(
        quantity_id=WHOLE,
        kind=QUANTITY["kind"],
        unit=QUANTITY["unit"],
        since=INSTANT,
        until=INSTANT,
        stored_count=WHOLE,
        items=many(ref("HistoryPoint")),
    ),
    "QuantityList": items("Quantity"),
    "AlertList": items("Alert"),
    "FindingList": items("Finding"),
    "EventList": known(items=many(ref("Event")), undelivered=many(ref("Delivery"))),
    "DeliveryList": items("Delivery"),
    "Health": {
        "type": "object",
        "properties": {
            "status": word(*(f.value for f in HealthReport)),
            "version": TEXT,
            "releaseId": TEXT,
            "description": TEXT,
            "output": TEXT,
            "notes": many(TEXT),
            "checks": {"type": "object", "additionalProperties": many(ref("Check"))},
        },
        "required": ["status", "version", "releaseId", "description", "notes", "checks"],
        "additionalProperties": False,
    },
    "Check": {
        "type": "object",
        "properties": {
            "status": word(*(f.value for f in HealthReport)),
            "observedValue": {"type": ["number", "string", "null"]},
            "observedUnit": TEXT,
            "time": INSTANT,
            "output": TEXT,
        },
        "required": ["status"],
        "additionalProperties": False,
    },
    "Problem": {
        "type": "object",
        "properties": {"type": TEXT, "title": TEXT, "status": WHOLE, "detail": TEXT, "instance": TEXT},
        "required": ["type", "title", "status", "detail", "instance"],
    },
    "Index": known(name=TEXT, version=TEXT, errors=TEXT, openapi=TEXT, routes=many(ref("Route"))),
    "Route": known(
        method=TEXT,
        path=TEXT,
        summary=TEXT,
        media_type=TEXT,
        statuses=many(WHOLE),
        parameters=many(ref("RouteParameter")),
    ),
    "RouteParameter": known(name=TEXT, **{"in": TEXT}, description=TEXT, allowed=TEXT, schema={"type": "object"}),
    "Description": {"type": "object", "required": ["openapi", "info", "paths"]},
}
