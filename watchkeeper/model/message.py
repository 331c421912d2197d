"""A message as it is stored and sent: what people are told about one change of an alert."""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.alert import Concern, NotificationKind, Priority, State
from watchkeeper.model.observation import SeriesKey


@dataclass(frozen=True, slots=True)
class Message:
    """One thing told.

    id: unique for ever: `thread` and the number of the telling within it. Letters, digits and hyphens only.
    thread: one episode of one alert; everything told of it belongs together.
    number: 1 for the first telling of the thread.
    host: the name of the host that is watched.
    headline: begins with the fact; short enough for a phone's notification. No line breaks.
    body: paragraphs of plain text: what, how long is left and how sure, since when, what to look at.
    priority: what the alert stands at now; None where it has ended. before: what the keeper was last told of it.
    since: since when it has been so, or when the alert was raised where the finding does not say.
    earliest_at, likely_at, latest_at: when time is up, with its 90 % interval where that is a forecast.
    trial: sent by the keeper to try a notifier; nothing has happened.
    late: it could not be told in time and is no longer so; it says what was, and newer ones of the thread follow.
    link: a page on which the keeper can say that they know; empty where there is none.
    """

    id: str
    thread: str
    number: int
    host: str
    telling: NotificationKind
    key: SeriesKey
    concern: Concern
    state: State
    priority: Priority | None
    before: Priority | None
    at: datetime
    since: datetime | None
    earliest_at: datetime | None
    likely_at: datetime | None
    latest_at: datetime | None
    headline: str
    body: str
    trial: bool = False
    late: bool = False
    link: str = ""

    @property
    def earlier_ids(self) -> tuple[str, ...]:
        """Ids of the thread's earlier tellings, oldest first (for References, RFC 5322)."""
        return tuple(message_id(self.thread, n) for n in range(1, self.number))


def message_id(thread: str, number: int) -> str:
    """The id of the number-th telling of a thread. No full stop in it: Standard Webhooks signs `id.timestamp.body`."""
    return f"{thread}-{number}"
