"""The forms of the API's answers: mypy holds what json_forms.py makes to them, and pydantic describes them in OpenAPI.

They are typed dictionaries: an answer is made and written as any dictionary is, and pydantic works only when somebody
asks for the description. Every member is always present unless NotRequired; one without a value is None. What each
member means is in meanings.py.
"""

from typing import Annotated, NotRequired

from pydantic import ConfigDict, Field, with_config
from typing_extensions import TypedDict

from watchkeeper.model.alert import Concern, Priority, State
from watchkeeper.model.change import ChangeKind
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.history.availability import Period
from watchkeeper.model.observation import Kind, Unit
from watchkeeper.model.records import DeliveryState, Entry
from watchkeeper.web.dashboard.dashboard import OkSeries
from watchkeeper.web.dashboard.health import HealthReport

OK_REASONS = {
    OkSeries.NO_END: "nothing within a year",
    OkSeries.NOT_DUE: "nothing within a year",
    OkSeries.ANSWERS: "answering",
    OkSeries.SOUND: "ok",
    OkSeries.LEARNING: "learning",
    OkSeries.UNCERTAIN: "uncertain",
    OkSeries.EARLY: "too early for a date",
    OkSeries.UNUSUAL: "growing unusually fast",
    OkSeries.FAILING: "failing within its limits",
    OkSeries.UNJUDGED: "not judged yet",
    OkSeries.RECORDED: "only recorded",
}
"""Why a quantity needs nobody. Fixed words: the page may word it differently."""

Instant = Annotated[str, Field(json_schema_extra={"format": "date-time"})]
"""RFC 3339, in UTC."""
Day = Annotated[str, Field(json_schema_extra={"format": "date"})]
PriorityWord = Annotated[str, Field(json_schema_extra={"enum": [each.word for each in Priority]})]
OkReason = Annotated[str, Field(json_schema_extra={"enum": [*dict.fromkeys(OK_REASONS.values())]})]


class About(TypedDict):
    """The quantity that a record is about."""

    quantity_id: int | None
    subject: str
    quantity: str


class MeasuredTime(TypedDict):
    """How long a service answered, and how long it did not."""

    measured_s: float
    not_measured_s: float
    no_answer_s: float
    outages: int
    outages_at_least: bool


class AvailabilityOfPeriod(MeasuredTime):
    """The same for one calendar period."""

    first_day: Day
    since: Instant
    until: Instant


class Outage(TypedDict):
    """A time without an answer."""

    since: Instant | None
    until: Instant | None
    no_answer_s: float
    reason: str


class Availability(TypedDict):
    """How long a service answered, in all and by calendar period."""

    quantity_id: int
    subject: str
    since: Instant
    until: Instant
    total: MeasuredTime
    period: Period
    items: list[AvailabilityOfPeriod]
    outages: list[Outage]


class AvailabilityList(TypedDict):
    """The services."""

    items: list[Availability]


class Quantity(TypedDict):
    """A quantity of a subject."""

    id: int
    subject: str
    quantity: str
    kind: Kind
    unit: Unit | None
    probe: str
    interval_s: float
    first_reading_at: Instant
    last_reading_at: Instant


class Detail(TypedDict):
    """A fact that the probe saw besides."""

    name: str
    value: str


class Phase(TypedDict):
    """A part of a request."""

    name: str
    duration_s: float | None


class LevelObserved(TypedDict):
    """How much of a capacity is used."""

    used: float | None
    capacity: float | None
    unit: Unit
    details: list[Detail]


class DeadlineObserved(TypedDict):
    """By when something must happen again."""

    due_at: Instant | None
    last_done_at: Instant | None
    period_s: float | None
    details: list[Detail]


class AnswerObserved(TypedDict):
    """Whether a service answered."""

    answered: bool
    reason: str
    response_time_s: float | None
    phases: list[Phase]
    details: list[Detail]


class ConditionObserved(TypedDict):
    """Whether something is OK."""

    ok: bool
    reason: str
    failed: bool
    details: list[Detail]


Observation = LevelObserved | DeadlineObserved | AnswerObserved | ConditionObserved


class Reading(TypedDict):
    """When it was observed."""

    at: Instant


class LevelReading(Reading, LevelObserved):
    """A reading of a level."""


class DeadlineReading(Reading, DeadlineObserved):
    """A reading of a due date."""


class AnswerReading(Reading, AnswerObserved):
    """A reading of a service."""


class ConditionReading(Reading, ConditionObserved):
    """A reading of a condition."""


KindOfReading = LevelReading | DeadlineReading | AnswerReading | ConditionReading


class LevelPoint(Reading):
    """A point in the history of a level."""

    used: float | None
    capacity: float | None


class DeadlinePoint(Reading):
    """A point in the history of a due date."""

    due_at: Instant | None


class AnswerPoint(Reading):
    """A point in the history of a service."""

    answered: bool
    response_time_s: float | None


class ConditionPoint(Reading):
    """A point in the history of a condition."""

    ok: bool


HistoryPoint = LevelPoint | DeadlinePoint | AnswerPoint | ConditionPoint


class Alert(About):
    """An alert."""

    concern: Concern
    state: State
    priority: PriorityWord | None
    occurrence: int
    raised_at: Instant | None
    changed_at: Instant | None
    acknowledged_at: Instant | None
    ended_at: Instant | None
    shelved_until: Instant | None


class UnusualGrowth(TypedDict):
    """A growth that is faster than any recorded one, and too young for a date."""

    since: Instant | None
    per_day: float | None
    full_at_this_rate_at: Instant | None


class Forecast(TypedDict):
    """The forecast behind a finding about a level."""

    used: float | None
    capacity: float | None
    no_date_reason: NoEnd | None
    growth_per_day: float | None
    trend_since: Instant | None
    cycle_s: float | None
    cycles: int
    too_early: bool
    unusual_growth: UnusualGrowth | None
    stopped_at: Instant | None
    resting_since: Instant | None


class Finding(About):
    """The result of a rule."""

    concern: Concern
    at: Instant
    priority: PriorityWord | None
    expected_at: Instant | None
    earliest_at: Instant | None
    latest_at: Instant | None
    since: Instant | None
    reason: str
    forecast: Forecast | None


class Event(TypedDict):
    """An entry of the event log."""

    quantity_id: int | None
    subject: str | None
    quantity: str | None
    id: int
    at: Instant
    kind: Entry
    text: str
    concern: Concern | None
    details: dict[str, str]


class RouteChoice(TypedDict):
    """What was decided for one notifier."""

    notifier: str
    not_sent_because: str | None
    held_until: Instant | None


class Decision(About):
    """A decision of the rules, or of the routes of a message."""

    concern: Concern
    at: Instant
    steps: list[str]
    message_id: str | None
    headline: str | None
    notifiers: list[RouteChoice]


class HostChange(TypedDict):
    """What changed on the host."""

    at: Instant
    not_before: Instant | None
    kind: ChangeKind
    what: str
    action: str
    detail: str


class Maintenance(TypedDict):
    """Planned maintenance of a subject."""

    subject: str
    since: Instant
    until: Instant
    reason: str


class DeliveredMessage(TypedDict):
    """The message of a delivery."""

    id: str
    thread: str
    headline: str


class Delivery(TypedDict):
    """Which message is for which notifier, and how far it got."""

    id: int
    notifier: str
    state: DeliveryState
    attempts: int
    last_error: str
    created_at: Instant
    next_attempt_at: Instant
    finished_at: Instant | None
    message: DeliveredMessage


class ActiveAlert(Alert):
    """An alert that is active, with what follows from it."""

    finding: Finding | None
    consequences: list["ActiveAlert"]


class TimeLeft(About):
    """What will be full or overdue within a year."""

    concern: Concern
    priority: PriorityWord | None
    time_left_s: int
    expected_at: Instant | None
    earliest_at: Instant | None
    latest_at: Instant | None


class NotObserved(TypedDict):
    """What a probe could not observe."""

    probe: str
    what: str
    reason: str


class OkQuantity(About):
    """A quantity that needs nobody."""

    reason: OkReason
    unusual_growth: UnusualGrowth | None


class TreeNode(TypedDict):
    """A subject, and what is inside it."""

    subject: str
    quantity_ids: list[int]
    priority: PriorityWord | None
    inside: list["TreeNode"]


class Dashboard(TypedDict):
    """What the store says about the present."""

    at: Instant
    monitored_quantities: int
    newest_reading_at: Instant | None
    active: list[ActiveAlert]
    acknowledged: list[ActiveAlert]
    shelved: list[ActiveAlert]
    rectified: list[ActiveAlert]
    time_left: list[TimeLeft]
    ok: list[OkQuantity]
    failing: list[OkQuantity]
    learning: list[OkQuantity]
    not_observed: list[NotObserved]


class ForecastRecord(TypedDict):
    """What became of the forecasts of a level, or of all levels."""

    summary: str
    forecasts: int
    held: int
    cut_short: int
    median_error: float | None
    fills: int
    warned_in_time: int


class StandIn(TypedDict):
    """Somebody who gets messages as well while the operator is away."""

    notifier: str
    since: Instant
    until: Instant
    at_least: PriorityWord
    note: str


class Status(Dashboard):
    """The content of the status page."""

    host: str
    summary: str
    monitoring_problems: list[str]
    forecast_record: ForecastRecord
    tree: list[TreeNode]
    stand_ins: list[StandIn]
    recent_events: list[Event]


class HostLevel(About):
    """The fullest level of a host."""

    used_share: float
    expected_at: Instant | None


class Host(TypedDict):
    """A host of a page over several."""

    name: str
    heard_from_at: Instant | None
    monitored_quantities: int
    newest_reading_at: Instant | None
    ok_quantities: int
    needing: int
    priority: PriorityWord | None
    not_observed_count: int
    without_forecast: list[About]
    fullest: HostLevel | None


class HostList(TypedDict):
    """Every host of a page over several; none on the page of one host."""

    items: list[Host]


class QuantityDetails(Quantity):
    """A quantity with what is known of it."""

    latest: KindOfReading | None
    findings: list[Finding]
    alerts: list[Alert]
    forecast_record: ForecastRecord | None
    dependents: list[str]
    recent_events: list[Event]


class History(TypedDict):
    """The history of a quantity."""

    quantity_id: int
    kind: Kind
    unit: Unit | None
    since: Instant
    until: Instant
    stored_count: int
    items: list[HistoryPoint]


class QuantityList(TypedDict):
    """Every quantity."""

    items: list[Quantity]


class AlertList(TypedDict):
    """Every alert."""

    items: list[Alert]


class FindingList(TypedDict):
    """Every finding."""

    items: list[Finding]


class EventList(TypedDict):
    """A page of the event log."""

    items: list[Event]
    undelivered: list[Delivery]


class DecisionList(TypedDict):
    """Decisions about a subject."""

    items: list[Decision]


class HostChangeList(TypedDict):
    """What changed on the host."""

    items: list[HostChange]


class MaintenanceList(TypedDict):
    """The maintenance that is under way."""

    items: list[Maintenance]


class ReportSection(TypedDict):
    """A part of a report."""

    heading: str
    lines: list[str]
    more: int


class Report(TypedDict):
    """A report in words: of a month, or the sheet of the house."""

    title: str
    headline: str
    remarks: list[str]
    sections: list[ReportSection]


class DeliveryList(TypedDict):
    """Deliveries."""

    items: list[Delivery]


class Check(TypedDict):
    """One check of draft-inadarei-api-health-check-06."""

    status: HealthReport
    observedValue: NotRequired[float | str | None]
    observedUnit: NotRequired[str]
    time: NotRequired[Instant]
    output: NotRequired[str]


class Health(TypedDict):
    """The state of monitoring itself."""

    status: HealthReport
    version: str
    releaseId: str
    description: str
    output: NotRequired[str]
    notes: list[str]
    checks: dict[str, list[Check]]


@with_config(ConfigDict(extra="allow"))
class Problem(TypedDict):
    """What is wrong (RFC 9457). A problem with a parameter names it, and what is allowed."""

    type: str
    title: str
    status: int
    detail: str
    instance: str


_In = TypedDict("_In", {"in": str})


class RouteParameter(_In):
    """A parameter of a path."""

    name: str
    description: str
    allowed: str
    schema: dict[str, object]


class Route(TypedDict):
    """A path of the API."""

    method: str
    path: str
    summary: str
    media_type: str
    statuses: list[int]
    parameters: list[RouteParameter]


class Index(TypedDict):
    """Every path of the API."""

    name: str
    version: str
    errors: str
    openapi: str
    routes: list[Route]


@with_config(ConfigDict(extra="allow"))
class Description(TypedDict):
    """The OpenAPI description."""

    openapi: str
    info: dict[str, object]
    paths: dict[str, object]


ANSWERS = (
    Availability,
    AvailabilityList,
    QuantityList,
    QuantityDetails,
    History,
    AlertList,
    FindingList,
    EventList,
    DecisionList,
    HostChangeList,
    HostList,
    MaintenanceList,
    Report,
    DeliveryList,
    Status,
    Health,
    Problem,
    Index,
    Description,
)
"""What a path can answer with. Every other form is a part of one."""
