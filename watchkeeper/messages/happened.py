"""What happened in a time, for a digest: outages, alerts that ended, time without monitoring, messages given up. Pure.

An outage is stated with its true times, as the readings show them: an alert begins later, and ends later. Not here:
what is active now (digest.py), and reading the record (periodic/happened.py).
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo

from watchkeeper.messages import availability, wording
from watchkeeper.model.alert import STANDING, Alert, Concern, Priority, State
from watchkeeper.model.history.availability import Outage
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.simulation import is_simulated
from watchkeeper.model.records import Entry, EventLine

FOLLOWS = "held by"
"""In the details of an event: the alert that this one follows from, or the maintenance that keeps it back."""

AWAY = "away since"
"""In the details of an event: since when nothing was monitored before it."""


@dataclass(frozen=True, slots=True)
class Happened:
    """What is recorded from `since` on. events: in any order. outages: of each service, oldest first.

    alerts: as they are now; they say since when one was active that ended and began before that time.
    """

    since: datetime
    events: Sequence[EventLine] = ()
    outages: Mapping[SeriesKey, Sequence[Outage]] = field(default_factory=dict)
    alerts: Sequence[Alert] = ()


@dataclass(frozen=True, slots=True)
class _Spell:
    """A time in which an alert was active. began_at: None: before the record. own: it was not suppressed by another."""

    key: SeriesKey
    concern: Concern
    began_at: datetime | None
    text: str
    priority: Priority | None
    own: bool
    ended_at: datetime | None = None
    end_text: str = ""


def lines(found: Happened, now: datetime, zone: tzinfo) -> list[str]:
    """One line for each service and each alert, in the order in which they began; then everything else."""
    spells = [each for each in _spells(found) if each.ended_at is not None]
    own = [each for each in spells if each.own and not _is_outage(each, found)]
    dated = [*_outages(found, now, zone), *_ended(own, now, zone), *_gaps(found, now, zone)]
    others = sum(not each.own for each in spells)
    counted = "1 more alert" if others == 1 else f"{others} more alerts"
    followed = [f"{counted} without a message: followed from another, or in maintenance"] if others else []
    return [text for _, text in sorted(dated)] + followed + list(_given_up(found, now, zone))


def began_since(found: Happened) -> frozenset[tuple[SeriesKey, Concern]]:
    """The alerts that are still active and were raised in this time."""
    return frozenset(
        (each.key, each.concern) for each in found.alerts if each.raised_at is not None and each.raised_at > found.since
    )


def _spells(found: Happened) -> list[_Spell]:
    """Each time in which an alert was active, in the order of their begins."""
    done, running = list[_Spell](), dict[tuple[SeriesKey, Concern], _Spell]()
    alerts = {(each.key, each.concern): each for each in found.alerts}
    for line in sorted(found.events, key=lambda each: (each.at, each.id)):
        if line.entry is not Entry.TRANSITION or line.key is None or line.concern is None or is_simulated(line.key):
            continue
        place = line.key, line.concern
        spell, stands = running.get(place), State(line.details["state"]) in STANDING
        if stands:
            running[place] = _begun(line, *place) if spell is None else _continued(spell, line)
        elif spell is not None or line.details["event"] == "clear":
            spell = running.pop(place, None) or _begun_before(line, alerts.get(place), *place)
            done.append(replace(spell, ended_at=line.at, end_text=line.text))
    return done + list(running.values())


def _begun(line: EventLine, key: SeriesKey, concern: Concern) -> _Spell:
    began_at = line.at if line.details["event"] == "raise" else None
    return _Spell(key, concern, began_at, line.text, _priority(line), FOLLOWS not in line.details)


def _begun_before(line: EventLine, alert: Alert | None, key: SeriesKey, concern: Concern) -> _Spell:
    """An alert of which only the end is in this time: the alert itself may still say since when."""
    began_at = alert.raised_at if alert is not None and alert.ended_at == line.at else None
    return _Spell(key, concern, began_at, line.text, None, FOLLOWS not in line.details)


def _continued(spell: _Spell, line: EventLine) -> _Spell:
    """A change while it is active: it counts with its highest priority, and as its own if it was once sent."""
    before, now = spell.priority, _priority(line)
    own = spell.own or FOLLOWS not in line.details
    return replace(spell, priority=max(filter(None, (before, now)), default=None), own=own)


def _priority(line: EventLine) -> Priority | None:
    return next((each for each in Priority if each.word == line.details.get("priority")), None)


def _is_outage(spell: _Spell, found: Happened) -> bool:
    """Whether the outages of its service say it already."""
    return spell.concern is Concern.NOT_ANSWERING and bool(_within(found, spell.key))


def _within(found: Happened, key: SeriesKey) -> list[Outage]:
    """The outages of a service that ended in this time."""
    since_s = found.since.timestamp()
    return [each for each in found.outages.get(key, ()) if each.end_s is not None and each.end_s > since_s]


def _outages(found: Happened, now: datetime, zone: tzinfo) -> Iterator[tuple[float, str]]:
    """Each service that did not answer, with its outage or, of several, their sum and the longest."""
    for key in found.outages:
        ended = _within(found, key)
        if ended:
            longest = max(ended, key=lambda each: each.down_s)
            said = availability.outage_words(longest, zone, now)
            if len(ended) > 1:
                down = wording.duration(sum(each.down_s for each in ended))
                said = f"{len(ended)} outages, {down} in all; the longest {said}"
            yield ended[0].begin_s, f"{wording.thing(key)} did not answer: {said}"


def _ended(spells: Sequence[_Spell], now: datetime, zone: tzinfo) -> Iterator[tuple[float, str]]:
    """Each alert that ended; one that came again and again is one line."""
    by_alert = dict[tuple[SeriesKey, Concern], list[_Spell]]()
    for each in spells:
        by_alert.setdefault((each.key, each.concern), []).append(each)
    for some in by_alert.values():
        first, last = some[0], some[-1]
        said = f"{_period(last, now, zone)}{_priority_word(some)}: {_what(last)}"
        again = f"{len(some)} times, the last time " if len(some) > 1 else ""
        began_at = first.began_at or first.ended_at or now
        yield began_at.timestamp(), again + said


def _period(spell: _Spell, now: datetime, zone: tzinfo) -> str:
    """`Tue 1 Dec 10:31:06 to Tue 1 Dec 10:37:12 (6 min)`; only the end if the begin is not known."""
    ended_at = spell.ended_at or now
    end = wording.instant(ended_at, zone, now)
    if spell.began_at is None:
        return f"until {end}"
    length = wording.duration((ended_at - spell.began_at).total_seconds())
    return f"{wording.instant(spell.began_at, zone, now)} to {end} ({length})"


def _priority_word(spells: Iterable[_Spell]) -> str:
    priorities = [each.priority for each in spells if each.priority is not None]
    return f", {max(priorities).word}" if priorities else ""


def _what(spell: _Spell) -> str:
    """What was reported first; of a level also how it ended, because it may be full or have room again."""
    if spell.concern is not Concern.FULL or spell.text == spell.end_text:
        return spell.text
    return f"{spell.text}; then {spell.end_text}"


def _gaps(found: Happened, now: datetime, zone: tzinfo) -> Iterator[tuple[float, str]]:
    """The times in which nothing was monitored."""
    for line in found.events:
        if line.entry is not Entry.TRANSITION and AWAY in line.details:
            since = datetime.fromisoformat(line.details[AWAY]).astimezone(UTC)
            begin, end = (wording.instant(each, zone, now) for each in (since, line.at))
            length = wording.duration((line.at - since).total_seconds())
            yield since.timestamp(), f"{begin} to {end} ({length}): nothing was monitored"


def _given_up(found: Happened, now: datetime, zone: tzinfo) -> Iterator[str]:
    """The messages that could not be delivered and are not tried again."""
    for line in sorted(found.events, key=lambda each: each.at):
        if line.entry is Entry.DELIVERY and ", given up: " in line.text:
            yield f"{wording.instant(line.at, zone, now)}: {line.text} ({line.details.get('error', 'no reason given')})"
