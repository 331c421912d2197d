"""JSON Schemas (draft 2020-12) of the API's answers, which json_forms.py makes; a test compares the two.

Every member is always present; one without a value is null. No other member is allowed.
"""

from watchkeeper.model.alert import Concern, Priority, State
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Kind, Unit
from watchkeeper.model.records import DeliveryState, Entry
from watchkeeper.web.dashboard.dashboard import OkSeries
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


ABOUT: dict[str, Schema] = {"series": maybe(WHOLE), "subject": TEXT, "quantity": TEXT}
PRIORITY = maybe(word(*(p.word for p in Priority)))
CONCERN = word(*(c.value for c in Concern))
FACTS = many(known(name=TEXT, value=TEXT))

SERIES: dict[str, Schema] = {
    "id": WHOLE,
    "subject": TEXT,
    "quantity": TEXT,
    "kind": word(*(k.value for k in Kind)),
    "unit": maybe(word(*(u.value for u in Unit))),
    "probe": TEXT,
    "interval_s": maybe(NUMBER),
    "first_at": INSTANT,
    "last_at": INSTANT,
}
ALERT: dict[str, Schema] = {
    **ABOUT,
    "concern": CONCERN,
    "state": word(*(s.value for s in State)),
    "priority": PRIORITY,
    "episode": WHOLE,
    "raised_at": maybe(INSTANT),
    "changed_at": maybe(INSTANT),
    "acknowledged_at": maybe(INSTANT),
    "ended_at": maybe(INSTANT),
    "shelved_until": maybe(INSTANT),
}
JOURNAL: dict[str, Schema] = {
    "id": WHOLE,
    "at": INSTANT,
    "entry": word(*(e.value for e in Entry)),
    "text": TEXT,
    "concern": maybe(CONCERN),
    "details": {"type": "object", "additionalProperties": TEXT},
}
OBSERVATIONS: tuple[dict[str, Schema], ...] = (
    {"used": maybe(NUMBER), "capacity": maybe(NUMBER), "unit": word(*(u.value for u in Unit))},
    {"due_at": maybe(INSTANT), "last_at": maybe(INSTANT), "period_s": maybe(NUMBER)},
    {
        "answered": YES_OR_NO,
        "reason": TEXT,
        "took_s": maybe(NUMBER),
        "phases": many(known(name=TEXT, took_s=maybe(NUMBER))),
    },
    {"ok": YES_OR_NO, "reason": TEXT, "grave": YES_OR_NO},
)
SAMPLES: tuple[dict[str, Schema], ...] = (
    {"used": maybe(NUMBER), "capacity": maybe(NUMBER)},
    {"due_at": maybe(INSTANT)},
    {"answered": YES_OR_NO, "took_s": maybe(NUMBER)},
    {"ok": YES_OR_NO},
)

SCHEMAS: dict[str, Schema] = {
    "Series": known(**SERIES),
    "Observation": either(*(known(at=INSTANT, **each, facts=FACTS) for each in OBSERVATIONS)),
    "Sample": either(*(known(at=INSTANT, **each) for each in SAMPLES)),
    "Alert": known(**ALERT),
    "Forecast": known(
        used=maybe(NUMBER),
        capacity=maybe(NUMBER),
        no_end=maybe(word(*(n.value for n in NoEnd))),
        growth_per_day=maybe(NUMBER),
        since=maybe(INSTANT),
        cycle_s=maybe(NUMBER),
    ),
    "Finding": known(
        **ABOUT,
        concern=CONCERN,
        at=INSTANT,
        priority=PRIORITY,
        ends_at=maybe(INSTANT),
        earliest_at=maybe(INSTANT),
        latest_at=maybe(INSTANT),
        since=maybe(INSTANT),
        reason=TEXT,
        forecast=maybe(ref("Forecast")),
    ),
    "JournalLine": known(series=maybe(WHOLE), subject=maybe(TEXT), quantity=maybe(TEXT), **JOURNAL),
    "Parcel": known(
        id=WHOLE,
        notifier=TEXT,
        state=word(*(p.value for p in DeliveryState)),
        tries=WHOLE,
        trouble=TEXT,
        made_at=INSTANT,
        due_at=INSTANT,
        done_at=maybe(INSTANT),
        message=known(id=TEXT, thread=TEXT, headline=TEXT),
    ),
    "Standing": known(**ALERT, finding=maybe(ref("Finding")), holds=many(ref("Standing"))),
    "Place": known(
        **ABOUT,
        concern=CONCERN,
        priority=PRIORITY,
        left_s=WHOLE,
        ends_at=INSTANT,
        earliest_at=maybe(INSTANT),
        latest_at=maybe(INSTANT),
    ),
    "Quiet": known(**ABOUT, why=word(*(w.value for w in OkSeries))),
    "Board": known(
        host=TEXT,
        at=INSTANT,
        watched=WHOLE,
        newest_at=maybe(INSTANT),
        needing=many(ref("Standing")),
        known=many(ref("Standing")),
        aside=many(ref("Standing")),
        over=many(ref("Standing")),
        places=many(ref("Place")),
        quiet=many(ref("Quiet")),
    ),
    "OneSeries": known(
        **SERIES, latest=maybe(ref("Observation")), findings=many(ref("Finding")), alerts=many(ref("Alert"))
    ),
    "SampleList": known(
        series=WHOLE,
        kind=SERIES["kind"],
        unit=SERIES["unit"],
        since=INSTANT,
        until=INSTANT,
        stored=WHOLE,
        items=many(ref("Sample")),
    ),
    "SeriesList": items("Series"),
    "AlertList": items("Alert"),
    "FindingList": items("Finding"),
    "Journal": items("JournalLine"),
    "Outbox": items("Parcel"),
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
    "Index": known(name=TEXT, version=TEXT, errors=TEXT, description=TEXT, routes=many({"type": "object"})),
    "Description": {"type": "object", "required": ["openapi", "info", "paths"]},
}
