"""What quiet hours held, in one message at their end: most urgent first, then what has ended meanwhile. Pure.

What is active is what is active now: the end of an alert is not always sent to the receiver that got its beginning, so
the messages alone do not say. Not here: which messages are held (routing.py), and when they are put together
(notifiers/outbox/outbox.py).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from watchkeeper.messages import wording
from watchkeeper.messages.body import LONGEST_HEADLINE, wrapped
from watchkeeper.messages.build import of_no_alert, thread_id, thread_of
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

WHOLE = 5
"""So many of what is still active are there with their whole text; it is read on a phone."""


@dataclass(frozen=True, slots=True)
class _Thread:
    """What was held of one thread, in the order in which it was made, and its alert as it is now (None: unknown)."""

    messages: tuple[Message, ...]
    alert: Alert | None

    @property
    def newest(self) -> Message:
        """The newest message."""
        return self.messages[-1]

    @property
    def noted(self) -> bool:
        """Is it about something that happened once, without an alert that could end?"""
        return self.newest.kind is NotificationKind.NOTED

    @property
    def ended(self) -> bool:
        """Has its alert ended? One that is not known any more has, too: it was removed, or a new one began."""
        if self.noted:
            return False
        return self.newest.priority is None or self.alert is None or not self.alert.standing

    @property
    def priority(self) -> Priority:
        """The highest priority that was held, or that it had when it ended."""
        return max(each.priority or each.before or Priority.CAUTION for each in self.messages)

    def period(self) -> tuple[datetime, datetime | None]:
        """From when until when it was so, as far as that is known."""
        first, newest, alert = self.messages[0], self.newest, self.alert
        if newest.priority is None:
            return newest.since or first.at, newest.over_at or newest.at
        return first.since or first.at, alert.ended_at if alert is not None else None


def says_too_much(held: Sequence[Message], alerts: Iterable[Alert]) -> bool:
    """Does one of these messages report something as active that has ended, with no message that says so?"""
    return any(each.ended and each.newest.priority is not None for each in _threads(held, alerts))


def held_summary(
    notifier: str, held: Sequence[Message], alerts: Iterable[Alert], now: datetime, zone: tzinfo
) -> Message:
    """One message for several of one receiver. held: in the order in which they were made, of one host.

    alerts: every alert as it is now.
    """
    threads = _threads(held, alerts)
    active = sorted((each for each in threads if not each.noted and not each.ended), key=_urgency)
    ended, noted = [each for each in threads if each.ended], [each for each in threads if each.noted]
    host = held[0].host
    thread = thread_id(host, "held", notifier, held[0].id, now.isoformat())
    return of_no_alert(
        thread,
        host=host,
        kind=NotificationKind.NOTED,
        key=SeriesKey("watchkeeper", "quiet hours"),
        concern=Concern.NOT_REPORTING,
        state=State.NORMAL,
        priority=max((each.newest.priority for each in active if each.newest.priority), default=Priority.CAUTION),
        at=now,
        headline=_headline(active, ended, noted),
        body="\n\n".join(_paragraphs(active, ended, noted, len(held), now, zone)) + "\n",
    )


def _threads(held: Iterable[Message], alerts: Iterable[Alert]) -> list[_Thread]:
    """What was held, by its thread, in the order of the newest message of each: that one says how things are now."""
    by_thread: dict[str, list[Message]] = {}
    for each in held:
        by_thread[each.thread] = [*by_thread.pop(each.thread, ()), each]
    hosts = {each.host for each in held}
    known = {thread_of(alert, host): alert for alert in alerts for host in hosts}
    return [_Thread(tuple(some), known.get(thread)) for thread, some in by_thread.items()]


def _urgency(thread: _Thread) -> tuple[int, datetime]:
    return -(thread.newest.priority or 0), thread.newest.at


def _headline(active: Sequence[_Thread], ended: Sequence[_Thread], noted: Sequence[_Thread]) -> str:
    counts = [(active, "active"), (ended, "ended"), (noted, "more")]
    said = ", ".join(f"{len(some)} {word}" for some, word in counts if some)
    first = [*active, *noted, *ended][0].newest.headline
    return wording.headed(f"quiet hours are over: {said}; {first}", LONGEST_HEADLINE)


def _paragraphs(
    active: Sequence[_Thread],
    ended: Sequence[_Thread],
    noted: Sequence[_Thread],
    count: int,
    now: datetime,
    zone: tzinfo,
) -> Iterable[str]:
    were = "1 message was" if count == 1 else f"{count} messages were"
    order = " What is still active comes first, most urgent first." if active else ""
    yield wrapped(f"{were} held until the quiet hours ended.{order}")
    for each in active[:WHOLE]:
        yield f"{_line(each.newest, now, zone)}\n\n{_text_of(each.newest)}"
    if len(active) > WHOLE:
        yield _listed("Also active:", (_line(each.newest, now, zone) for each in active[WHOLE:]))
    if noted:
        yield _listed("Also happened:", (_happened(each.newest, now, zone) for each in noted))
    if ended:
        yield _listed("Ended meanwhile:", (_over(each, now, zone) for each in ended))
    yield f"Times are {wording.zone_name(now, zone)}."


def _listed(title: str, lines: Iterable[str]) -> str:
    return "\n".join([title, *lines])


def _line(message: Message, now: datetime, zone: tzinfo) -> str:
    """`  WARNING Mon 30 Nov 23:10: pool skerry full in about 3 days`."""
    word = (message.priority or Priority.CAUTION).word.upper()
    return wrapped(f"  {word} {wording.instant(message.at, zone, now)}: {message.headline}")


def _happened(message: Message, now: datetime, zone: tzinfo) -> str:
    return wrapped(f"  {wording.instant(message.at, zone, now)}: {message.headline}")


def _over(thread: _Thread, now: datetime, zone: tzinfo) -> str:
    """What it was, from when until when, and how it ended."""
    began, over = thread.period()
    first, newest, word = thread.messages[0], thread.newest, thread.priority.word
    if over is None:
        when = f"since {wording.instant(began, zone, now)}, ended since then"
    else:
        length = wording.duration((over - began).total_seconds())
        when = f"{wording.instant(began, zone, now)} to {_end(began, over, now, zone)} ({length})"
    how = f"; {newest.headline}" if newest.priority is None and newest is not first else ""
    return wrapped(f"  {when}, {word}: {first.headline}{how}")


def _end(began: datetime, over: datetime, now: datetime, zone: tzinfo) -> str:
    same_day = began.astimezone(zone).date() == over.astimezone(zone).date()
    return wording.clock_time(over, zone) if same_day else wording.instant(over, zone, now)


def _text_of(message: Message) -> str:
    """The body, without the line about the zone, which is said once."""
    parts = message.body.rstrip().split("\n\n")
    return "\n\n".join(part for part in parts if not part.startswith("Times are "))
