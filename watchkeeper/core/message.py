"""A message: what the keeper is told about one transition, before any notifier gives it a form.

A message is made once, stored in the outbox as it is, and sent with the same id on every try. The sentences come from
wording.py; the forms (mail, CloudEvents) from notifiers/.
"""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.core.alerts import Concern, Priority, State, Telling
from watchkeeper.core.observation import SeriesKey


@dataclass(frozen=True, slots=True)
class Message:
    """One thing told.

    id: unique for ever: `thread` and the number of the telling within it.
    thread: one episode of one alert; everything told of it belongs together.
    number: 1 for the first telling of the thread.
    host: the name of the host that is watched.
    headline: begins with the fact; short enough for a phone's notification. No line breaks.
    body: paragraphs of plain text: what, how long is left and how sure, since when, what to look at.
    priority: what the alert stands at now; None where it has ended. before: what it stood at.
    """

    id: str
    thread: str
    number: int
    host: str
    telling: Telling
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

    @property
    def earlier_ids(self) -> tuple[str, ...]:
        """Ids of the thread's earlier tellings, oldest first (for References, RFC 5322)."""
        return tuple(message_id(self.thread, n) for n in range(1, self.number))


def message_id(thread: str, number: int) -> str:
    """The id of the number-th telling of a thread."""
    return f"{thread}.{number}"
