"""Why something was or was not sent, in words, for the command and the page. Pure.

Not here: the decisions themselves (alerting/explain.py, messages/delivery/routing.py), and which are kept (periodic/).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from watchkeeper.messages.build import of_no_alert
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.wording import clean, instant, thing
from watchkeeper.model.alert import Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import Decision, RouteChoice
from watchkeeper.model.records import Entry, EventLine

Deliveries = Mapping[tuple[str, str], Sequence[EventLine]]
"""What became of each message at each notifier: event log lines by the message's id and the notifier's name."""


@dataclass(frozen=True, slots=True)
class Explained:
    """What was decided at one moment. title: about what. steps: why. sent: what each notifier got, or why not."""

    at: datetime
    title: str
    steps: tuple[str, ...]
    sent: tuple[str, ...]


def deliveries_of(lines: Iterable[EventLine]) -> Deliveries:
    """The event log lines about deliveries, by message and notifier, in their order."""
    found: dict[tuple[str, str], list[EventLine]] = {}
    for each in lines:
        if each.entry is Entry.DELIVERY:
            place = each.details.get("message", ""), each.details.get("notifier", "")
            found.setdefault(place, []).append(each)
    return found


def explained(decisions: Iterable[Decision], deliveries: Deliveries, zone: tzinfo, now: datetime) -> list[Explained]:
    """Decisions in words, in their order; what was decided about one alert at one moment is one entry."""
    found: list[Explained] = []
    for each in decisions:
        title, steps = f"{thing(each.key, 100)}, {each.concern.words}", each.steps
        sent = tuple(_sent(each, deliveries, zone, now))
        last = found[-1] if found else None
        if last is not None and (last.at, last.title) == (each.at, title) and not last.sent:
            found[-1] = Explained(each.at, title, last.steps + steps, sent)
        else:
            found.append(Explained(each.at, title, steps, sent))
    return found


def _sent(decision: Decision, deliveries: Deliveries, zone: tzinfo, now: datetime) -> Iterable[str]:
    if not decision.message:
        return
    yield f"message: {clean(decision.headline)}"
    if not decision.choices:
        yield "sent to nobody: no notifier is configured"
    for each in decision.choices:
        became = deliveries.get((decision.message, each.notifier), ())
        yield f"{clean(each.notifier, 60)}: {_became(each, became, decision.headline, zone, now)}"


def _became(choice: RouteChoice, lines: Sequence[EventLine], headline: str, zone: tzinfo, now: datetime) -> str:
    if choice.refusal or not lines:
        return choice_words(choice, zone, now)
    return "; then ".join(_outcome(each, choice.notifier, headline, zone, now) for each in lines)


def _outcome(line: EventLine, notifier: str, headline: str, zone: tzinfo, now: datetime) -> str:
    """`sent Mon 30 Nov 10:32`: the event log's own words, without what the reader sees beside them."""
    said = line.text.removesuffix(headline).rstrip(": ").replace(f" by {notifier}", "", 1)
    error = f" ({clean(line.details['error'])})" if line.details.get("error") else ""
    return f"{clean(said)} {instant(line.at, zone, now)}{error}"


def choice_words(choice: RouteChoice, zone: tzinfo, now: datetime) -> str:
    """What a route decides: `not sent: at_least is "alarm"`, `held for quiet hours until ...`, `sent at once`."""
    if choice.refusal:
        return f"not sent: {choice.refusal}"
    if choice.held_until is not None:
        return f"held for quiet hours until {instant(choice.held_until, zone, now)}"
    return "sent at once"


def route_words(route: Route, key: SeriesKey, concern: Concern, now: datetime) -> str:
    """What a receiver gets about a series, by priority: `caution not sent (at_least is "warning"); warning, alarm`."""
    said: dict[str, list[str]] = {}
    for priority in Priority:
        message = _sample(key, concern, priority, now)
        leaves_at = route.leaves_at(message, now)
        choice = RouteChoice("", route.refusal(message), leaves_at if leaves_at > now else None)
        said.setdefault(choice_words(choice, route.zone, now), []).append(priority.word)
    return "; ".join(f"{', '.join(words)}: {what}" for what, words in said.items())


def _sample(key: SeriesKey, concern: Concern, priority: Priority, now: datetime) -> Message:
    """A message of this priority, as it would be if the alert were raised now."""
    about = {"host": "", "headline": "", "body": "", "state": State.ACTIVE, "kind": NotificationKind.RAISED}
    return of_no_alert("", key=key, concern=concern, priority=priority, at=now, **about)  # type: ignore[arg-type]
