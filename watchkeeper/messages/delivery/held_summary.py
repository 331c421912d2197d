"""What quiet hours held, in one message at their end: most urgent first, then what has ended meanwhile. Pure.

Not here: which messages are held (routing.py), and when they are put together (notifiers/outbox/outbox.py).
"""

from collections.abc import Iterable, Sequence
from datetime import datetime, tzinfo

from watchkeeper.messages import wording
from watchkeeper.messages.body import LONGEST_HEADLINE, wrapped
from watchkeeper.messages.build import of_no_alert, thread_id
from watchkeeper.model.alert import Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey

WHOLE = 5
"""So many of what is still active are there with their whole text; it is read on a phone."""


def held_summary(notifier: str, held: Sequence[Message], now: datetime, zone: tzinfo) -> Message:
    """One message for several of one receiver. held: in the order in which they were made, of one host."""
    newest = _newest(held)
    active = sorted((each for each in newest if each.priority is not None), key=lambda m: (-(m.priority or 0), m.at))
    ended = [each for each in newest if each.priority is None]
    host = held[0].host
    thread = thread_id(host, "held", notifier, held[0].id, now.isoformat())
    return of_no_alert(
        thread,
        host=host,
        kind=NotificationKind.NOTED,
        key=SeriesKey("watchkeeper", "quiet hours"),
        concern=Concern.NOT_REPORTING,
        state=State.NORMAL,
        priority=max((each.priority for each in active if each.priority), default=Priority.CAUTION),
        at=now,
        headline=_headline(active, ended),
        body="\n\n".join(_paragraphs(active, ended, len(held), now, zone)) + "\n",
    )


def _newest(held: Iterable[Message]) -> list[Message]:
    """The newest message of each thread: it says how things are now."""
    return list({each.thread: each for each in held}.values())


def _headline(active: Sequence[Message], ended: Sequence[Message]) -> str:
    counts = [f"{len(active)} active" if active else "", f"{len(ended)} ended" if ended else ""]
    said = f"quiet hours are over: {', '.join(filter(None, counts))}"
    first = active[0].headline if active else ended[0].headline
    return wording.headed(f"{said}; {first}", LONGEST_HEADLINE)


def _paragraphs(
    active: Sequence[Message], ended: Sequence[Message], count: int, now: datetime, zone: tzinfo
) -> Iterable[str]:
    yield wrapped(f"{count} messages were held until the quiet hours ended. This is what they said, most urgent first.")
    for each in active[:WHOLE]:
        yield f"{_line(each, now, zone)}\n\n{_text_of(each)}"
    if len(active) > WHOLE:
        yield _listed("Also active:", active[WHOLE:], now, zone)
    if ended:
        yield _listed("Ended meanwhile:", ended, now, zone)
    yield f"Times are {wording.zone_name(now, zone)}."


def _listed(title: str, messages: Iterable[Message], now: datetime, zone: tzinfo) -> str:
    return "\n".join([title, *(_line(each, now, zone) for each in messages)])


def _line(message: Message, now: datetime, zone: tzinfo) -> str:
    """`  WARNING Mon 30 Nov 23:10: pool skerry full in about 3 days`."""
    word = message.priority.word.upper() if message.priority else "ended"
    return wrapped(f"  {word} {wording.instant(message.at, zone, now)}: {message.headline}")


def _text_of(message: Message) -> str:
    """The body, without the line about the zone, which is said once."""
    parts = message.body.rstrip().split("\n\n")
    return "\n\n".join(part for part in parts if not part.startswith("Times are "))
