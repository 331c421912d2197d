"""A message as it is stored and sent: a notification about one change of an alert."""

from dataclasses import dataclass, replace
from datetime import datetime

from watchkeeper.model.alert import Concern, NotificationKind, Priority, State
from watchkeeper.model.observation import SeriesKey


@dataclass(frozen=True, slots=True)
class Message:
    """One notification.

    id: permanently unique: `thread` and the number of the message within it. Letters, digits and hyphens only.
    thread: one episode of one alert; all its messages belong together.
    number: 1 for the first message of the thread.
    host: the name of the monitored host.
    headline: begins with the fact; short enough for a phone's notification. No line breaks.
    body: paragraphs of plain text: what, how long is left and how sure, since when, what to look at.
    priority: the current priority; None if the alert has ended. before: the priority in the previous notification.
    since: since when it has been so, or when the alert was raised if the finding does not say. over_at: until when it
        was so; None while it is.
    earliest_at, likely_at, latest_at: when time is up, with its 90 % interval if that is a forecast.
    test: sent by the operator to test a notifier; nothing has happened.
    late: it could not be sent in time and reports a past state; newer messages of the thread follow.
    link: a page on which the operator can acknowledge; empty if there is none.
    """

    id: str
    thread: str
    number: int
    host: str
    kind: NotificationKind
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
    test: bool = False
    late: bool = False
    link: str = ""
    over_at: datetime | None = None

    @property
    def earlier_ids(self) -> tuple[str, ...]:
        """Ids of the thread's earlier messages, oldest first (for References, RFC 5322)."""
        return tuple(message_id(self.thread, n) for n in range(1, self.number))

    def with_paragraph(self, text: str) -> "Message":
        """The same message with a paragraph at its end."""
        return replace(self, body=f"{self.body}\n{text}\n")


def message_id(thread: str, number: int) -> str:
    """The id of a message, from its thread and number. No period in it: Standard Webhooks signs `id.timestamp.body`."""
    return f"{thread}-{number}"
