"""Records about the field station, for the store's tests."""

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.message import Message, message_id
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Commit, Delivery, Entry, EventLine, Seen

START = datetime(2026, 3, 1, 6, 30, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
SKERRY = SeriesKey("pool skerry", "space")
HIDE_HUB = SeriesKey("service hide-hub", "answer")


def level(used: float, at: datetime = START, key: SeriesKey = SKERRY) -> Seen:
    """One observation of a level."""
    return Seen(at, Level(key, used, 1000.0), "pools", 60.0)


def samples(count: int, key: SeriesKey = SKERRY) -> Commit:
    """One unit of work with a sample per minute."""
    return Commit(seen=tuple(level(float(n), START + n * MINUTE, key) for n in range(count)))


def message(thread: str = "skerry-1", number: int = 1, at: datetime = START) -> Message:
    """One message of a thread."""
    return Message(
        id=message_id(thread, number),
        thread=thread,
        number=number,
        host="gannet",
        kind=NotificationKind.RAISED,
        key=SKERRY,
        concern=Concern.FULL,
        state=State.ACTIVE,
        priority=Priority.WARNING,
        before=None,
        at=at,
        since=None,
        earliest_at=at + DAY,
        likely_at=at + 2 * DAY,
        latest_at=None,
        headline="pool skerry is full in 2 days",
        body="Look at the guests' disks.",
    )


def delivery(thread: str = "skerry-1", number: int = 1, due_at: datetime = START, notifier: str = "mail") -> Delivery:
    """One message for one notifier."""
    return Delivery(notifier, message(thread, number), made_at=START, due_at=due_at)


def alert(episode: int = 1) -> Alert:
    """An active alert."""
    return Alert(SKERRY, Concern.FULL, State.ACTIVE, Priority.WARNING, episode=episode, raised_at=START)


def line(text: str = "pool skerry: raise", at: datetime = START) -> EventLine:
    """A line about a transition."""
    return EventLine(at, Entry.TRANSITION, text, SKERRY, Concern.FULL, {"event": "raise"})


def transition(episode: int) -> Commit:
    """Everything that one transition writes."""
    at = START + episode * MINUTE
    return Commit(
        seen=(level(float(episode), at),),
        findings=(Finding(SKERRY, Concern.FULL, at, Priority.WARNING),),
        alerts=(alert(episode),),
        events=(line(f"episode {episode}", at),),
        deliveries=(delivery(f"skerry-{episode}", due_at=at),),
    )


def asked(path: Path, sql: str) -> list[tuple[object, ...]]:
    """What SQLite itself returns from the file, on a separate connection."""
    conn = sqlite3.connect(path)
    try:
        return conn.execute(sql).fetchall()
    finally:
        conn.close()
