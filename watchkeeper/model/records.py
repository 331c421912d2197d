"""What is written and read: the records that the pipeline, the store, the notifiers and the page exchange."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from watchkeeper.model.alert import Alert, Concern
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.line import Floats
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Kind, Observation, SeriesKey, Unit
from watchkeeper.model.operator.decision import Decision


@dataclass(frozen=True, slots=True)
class Series:
    """A series as the store knows it.

    probe: the name of the probe that delivers it; interval_s: seconds between that probe's samples.
    """

    id: int
    key: SeriesKey
    kind: Kind
    unit: Unit | None
    probe: str
    interval_s: float
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Seen:
    """One observation with its time and the probe that made it."""

    at: datetime
    observation: Observation
    probe: str
    interval_s: float


@dataclass(frozen=True, slots=True)
class Sample:
    """One stored sample of a series.

    value: level: used; deadline: due, seconds since 1970 (None: never happened); answer: seconds taken (None: no
    answer); condition: 1 OK, 0 faulty. bound: level: capacity; None for the other kinds.
    """

    at_s: float
    value: float | None
    bound: float | None


@dataclass(frozen=True, slots=True)
class Bucket:
    """The samples of one series in one time span, aggregated for a chart over a long range.

    start_s, width_s: the span, in seconds since 1970. samples: how many it holds; without: how many of them have no
    value (no answer). least, mean, most: of the values; None if there are none. last_s, last, bound: the time, value
    and bound of the newest sample in it. first_s: the time of the oldest. missing_s: that of the oldest without a
    value; None if there is none. Both are exact as long as every sample is kept, later to the hour or the day.
    """

    start_s: float
    width_s: float
    samples: int
    without: int
    least: float | None
    mean: float | None
    most: float | None
    last_s: float
    last: float | None
    bound: float | None
    first_s: float
    missing_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class LevelSamples:
    """One level's samples as arrays of the same length, oldest first, for refilling a history.

    at_s: seconds since 1970. used and capacity in the level's unit.
    """

    key: SeriesKey
    at_s: Floats
    used: Floats
    capacity: Floats


class Entry(StrEnum):
    """What an event log line is about."""

    TRANSITION = "transition"  # an alert changed state
    DELIVERY = "delivery"  # a message was delivered, or set aside
    START = "start"  # the daemon started (details: away since, where there was a gap)
    STOP = "stop"
    CONFIGURATION = "configuration"
    NOTE = "note"  # a note, by the operator or by the daemon


@dataclass(frozen=True, slots=True)
class EventLine:
    """One line of the append-only event log. id is 0 until it is stored."""

    at: datetime
    entry: Entry
    text: str
    key: SeriesKey | None = None
    concern: Concern | None = None
    details: Mapping[str, str] = field(default_factory=dict)
    id: int = 0


class DeliveryState(StrEnum):
    """The state of a delivery in the outbox."""

    WAITING = "waiting"
    DELIVERED = "delivered"
    SET_ASIDE = "set aside"  # refused, or tried for too long: the operator has to look into it


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message for one notifier. id is 0 until it is stored.

    tries: how often delivery was tried. due_at: not before this. trouble: the error of the last attempt.
    behind: the messages of its thread that wait for it, oldest first; filled only for the delivery returned as next.
    """

    notifier: str
    message: Message
    made_at: datetime
    due_at: datetime
    state: DeliveryState = DeliveryState.WAITING
    tries: int = 0
    trouble: str = ""
    done_at: datetime | None = None
    id: int = 0
    behind: tuple[Message, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class Commit:
    """Everything that one unit of work of the pipeline writes: stored together, or not at all."""

    seen: tuple[Seen, ...] = ()
    findings: tuple[Finding, ...] = ()
    alerts: tuple[Alert, ...] = ()
    events: tuple[EventLine, ...] = ()
    deliveries: tuple[Delivery, ...] = ()
    forecasts: tuple[KeptForecast, ...] = ()
    decisions: tuple[Decision, ...] = ()


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A stored row that could not be read and was moved out of its table.

    source: the table; row: its identification there. about: what it was, and what its loss means.
    """

    source: str
    row: str
    found_at: datetime
    why: str
    about: str
