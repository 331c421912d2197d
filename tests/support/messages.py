"""Messages about the field station's server, made by the real alert table and the real wording."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.rules import NotAnsweringRule, instant, judge_not_answering, within
from watchkeeper.manual.runbook import first_step
from watchkeeper.messages.build import compose
from watchkeeper.model.alert import Alert, Concern, Delays, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Answer, Level, Observation, SeriesKey

NOW = datetime(2026, 11, 24, 9, 12, tzinfo=UTC)
ZONE = ZoneInfo("CET")
HOST = "gannet"
SKERRY = SeriesKey("pool skerry", "space")
HIDE_HUB = SeriesKey("service hide-hub", "answer")
GIB, DAY_S = 2**30, 86_400.0


@dataclass(frozen=True, slots=True)
class Told:
    """One transition with its finding and observation."""

    move: Transition
    found: Finding
    seen: Observation | None

    def message(self, host: str = HOST) -> Message:
        """The message about it."""
        return compose(self.move, self.found, self.seen, host, ZONE, first_step)


def told(findings: Iterable[Finding], seen: Observation | None) -> list[Told]:
    """Apply findings to one alert; returns the transitions that have something to report."""
    out: list[Told] = []
    alert: Alert | None = None
    for found in findings:
        alert, moves = state_machine.step(alert or Alert(found.key, found.concern), found.priority, found.at, Delays())
        out.extend(Told(move, found, seen) for move in moves if move.notification is not None)
    return out


def level(used_gib: float = 1946) -> Level:
    """The pool skerry, with the dataset that grew most."""
    return Level(SKERRY, used_gib * GIB, 2048 * GIB, facts=(("largest guest disk", "nest-cams 812 GiB"),))


def found_full(forecast: Forecast, at: datetime, key: SeriesKey = SKERRY) -> Finding:
    """The finding about a level, by the plain thresholds of a month, a week and a day."""
    priority = None
    if forecast.likely_s is not None:
        priority = within(forecast.likely_s - at.timestamp(), 30 * DAY_S, 7 * DAY_S, DAY_S)
    return Finding(
        key,
        Concern.FULL,
        at,
        priority,
        ends_at=instant(forecast.likely_s),
        earliest_at=instant(forecast.earliest_s),
        latest_at=instant(forecast.latest_s),
        reason=forecast.no_end.value if forecast.no_end else "",
        forecast=forecast,
    )


def filling(at: datetime, days: float | None, earliest: float | None = None, latest: float | None = None) -> Finding:
    """Skerry will be full in `days` days; None: it is not filling."""
    at_s = at.timestamp()
    first_s, likely_s, last_s = (None if each is None else at_s + each * DAY_S for each in (earliest, days, latest))
    forecast = Forecast(
        at_s,
        1946 * GIB,
        2048 * GIB,
        earliest_s=first_s,
        likely_s=likely_s,
        latest_s=last_s,
        no_end=NoEnd.STILL if days is None else None,
        growth_per_day=None if days is None else 11 * GIB,
        since_s=NOW.timestamp() - 7 * DAY_S,
    )
    return found_full(forecast, at)


def after(**passed: float) -> datetime:
    """A point in time after NOW."""
    return NOW + timedelta(**passed)


def episode() -> list[Told]:
    """skerry: a warning, then an alarm, then eased to a caution, then ended."""
    return told(
        [
            filling(NOW, 3.2, 2.1, 5.0),
            filling(after(hours=50), 0.9, 0.7, 1.3),
            filling(after(hours=55), 12, 7),
            filling(after(hours=56), None),
        ],
        level(),
    )


def silence() -> list[Told]:
    """hide-hub: no answer for four minutes, then it answers again."""
    silent = Answer(HIDE_HUB, answered=False, reason="status 502, expected 200", took_s=0.1)
    answers = replace(silent, answered=True, reason="")
    return told(
        [
            judge_not_answering(silent, after(minutes=-4), NOW, NotAnsweringRule()),
            judge_not_answering(answers, None, after(minutes=18), NotAnsweringRule()),
        ],
        silent,
    )


def messages() -> list[Message]:
    """The four messages of the pool's episode."""
    return [each.message() for each in episode()]
