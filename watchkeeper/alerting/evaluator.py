"""The evaluator of one series: takes its observations and applies the rules.

The daemon and the backtest share this class, so that a backtest shows what would have happened. It holds state and does
no I/O; call it in the order of time. It reads its series' alerts from the book and moves none. Not here: what a finding
does to an alert (alert_book.py, correlation.py).
"""

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import assert_never

from watchkeeper.alerting import rules
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.missing_data import GONE, Absence
from watchkeeper.alerting.rules import Rules
from watchkeeper.forecast import calibration
from watchkeeper.forecast import forecast as exhaustion
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.forecast.stopped_growth import with_stopped_growth
from watchkeeper.forecast.unusual_growth import with_unusual_growth
from watchkeeper.model.alert import CONCERN, Alert, Concern, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, NoEnd
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, SeriesKey
from watchkeeper.model.units import HOUR_S

CONCERNS = {kind: (concern, Concern.NOT_REPORTING) for kind, concern in CONCERN.items()}
"""The concerns that a series of each kind can raise."""

FORECAST_S, FORECAST_SHARE = 300.0, 0.001
"""How long the forecast of a level that hardly moves is used, while nothing calls for an alert: five minutes, or this
share of the rule's widest limit. A level whose present pace fills it within that limit moves farther in this time, and
is forecast as soon as it has."""


class SeriesEvaluator:
    """Evaluates one series."""

    __slots__ = (
        "_absence",
        "_book",
        "_looked",
        "_outdated",
        "_was_bad",
        "bad_since",
        "concerns",
        "first_at",
        "forecast",
        "gone",
        "history",
        "interval_s",
        "key",
        "kind",
        "last_at",
        "latest",
        "rules",
    )

    def __init__(self, key: SeriesKey, kind: Kind, interval_s: float, limits: Rules, book: AlertBook) -> None:
        """Begin to evaluate a series.

        interval_s: seconds between the probe's samples; infinite if none is due, so that none is ever missing.
        book: holds its alerts.
        """
        self.key, self.kind, self.interval_s, self.rules = key, kind, interval_s, limits
        self.concerns = CONCERNS[kind]
        self.history = LevelHistory()
        self.forecast: Forecast | None = None
        self.latest: Observation | None = None
        self.first_at: datetime | None = None
        self.last_at: datetime | None = None
        self.bad_since: datetime | None = None
        self.gone = False
        self._absence: Absence | None = None
        self._looked, self._outdated, self._book = False, False, book
        self._was_bad: tuple[datetime, datetime] | None = None

    @property
    def alerts(self) -> tuple[Alert, ...]:
        """Its alerts: for the concern of its kind, and for not reporting."""
        return tuple([self._book.get(self.key, concern) for concern in self.concerns])

    def take(self, seen: Observation, at: datetime) -> None:
        """Remember one observation. Cheap: nothing is evaluated yet."""
        self.latest, self.last_at, self._looked = seen, at, True
        self.gone, self._absence = False, None
        self.first_at = self.first_at or at
        match seen:
            case Level():
                self.history.add(at.timestamp(), seen.used, seen.capacity)
                self._outdated = True
                self._note(good=seen.used < seen.capacity, at=at)
            case Answer():
                self._note(good=seen.answered, at=at)
            case Condition():
                self._note(good=seen.ok, at=at)
            case Deadline():
                pass
            case _:
                assert_never(seen)

    def resume(self, seen: Observation, first_at: datetime, found: Finding | None, now: datetime) -> None:
        """Continue from what was stored before a restart.

        It counts as seen `now`, since the probe did not cause the downtime. The stored observation is not evaluated
        again before the probe has run: after three days without power, nobody knows the current state.

        found: the newest finding for the concern of its kind; None if there is none.
        """
        self.latest, self.first_at, self.last_at = seen, first_at, now
        if found is not None:
            self.bad_since = found.since
            if found.began_at is not None and found.over_at is not None:
                self._was_bad = found.began_at, found.over_at
        missing = self._book.find(self.key, Concern.NOT_REPORTING)
        if missing is not None and missing.standing and missing.raised_at is not None:
            self._absence = Absence(max(now - missing.raised_at, timedelta()))

    def bridge(self, gap: timedelta, now: datetime, *, look_again: bool) -> None:
        """Account for a jump of the wall clock without monitoring: times measured since then exclude the gap.

        look_again: the state after it is unknown. Then, as after a restart, the series counts as seen now, and its last
        observation is not evaluated before the probe has run again.
        """
        if self.first_at is None or self.last_at is None:
            return
        self.first_at = min(self.first_at + gap, now)
        self.last_at = now if look_again else min(self.last_at + gap, now)
        self.bad_since = None if self.bad_since is None else min(self.bad_since + gap, now)
        self._looked = self._looked and not look_again
        if self._absence is not None:
            self._absence.bridge(gap)

    @property
    def over(self) -> bool:
        """Return whether the series is permanently gone, with nothing left to report or acknowledge."""
        return self.gone and all(a.state is State.NORMAL and a.pending_notification is None for a in self.alerts)

    def missed(self, as_of: datetime) -> bool:
        """Return whether its samples have been missing for the rule's time, whether or not that is reported."""
        patience_s = self.rules.not_reporting.intervals * self.interval_s
        return self.last_at is not None and (as_of - self.last_at).total_seconds() >= patience_s

    def _note(self, *, good: bool, at: datetime) -> None:
        if good and self.bad_since is not None:
            self._was_bad = (self.bad_since, at)
        self.bad_since = None if good else self.bad_since or at

    def _with_period(self, found: Finding) -> Finding:
        """With the times of the last period in which it was so, once that is over."""
        if self.bad_since is not None or self._was_bad is None:
            return found
        return replace(found, began_at=self._was_bad[0], over_at=self._was_bad[1])

    def evaluate(
        self, now: datetime, probe_seen_at: datetime | None = None, range_width: float = 1.0
    ) -> tuple[Finding, ...]:
        """Evaluate the state at `now`: a finding for each concern.

        probe_seen_at: when the probe last ran without error. Staleness is measured by the series' own probe, so that a
        probe that has stopped is reported once and not once for each of its series. None: measured by `now`; then the
        series is never considered permanently gone.
        range_width: of a forecast, in that of its law (forecast_record.py).
        """
        if probe_seen_at is not None and math.isfinite(self.interval_s):
            self._count_absence(max(probe_seen_at, self.last_at or probe_seen_at))
        return self._dropped(now) if self.gone else self._findings(now, probe_seen_at or now, range_width)

    def _count_absence(self, as_of: datetime) -> None:
        if self._book.priority_of(self.key, Concern.NOT_REPORTING) is None:
            self._absence = None
            return
        if self._absence is None:
            self._absence = Absence()
        # A probe that runs at its usual times is evaluated at least once in an interval; slow reviews have an hour.
        longest = timedelta(seconds=max(self.rules.not_reporting.intervals * self.interval_s, HOUR_S))
        self._absence.count(as_of, longest)
        self.gone = self.gone or self._absence.for_good

    def _dropped(self, now: datetime) -> tuple[Finding, ...]:
        """Findings without a priority for a series that no longer exists."""
        return tuple(Finding(self.key, concern, now, None, reason=GONE) for concern in self.concerns)

    def _findings(self, now: datetime, probe_seen_at: datetime, range_width: float) -> tuple[Finding, ...]:
        latest = self.latest
        if latest is None or self.first_at is None or self.last_at is None:
            return ()
        level = latest if isinstance(latest, Level) else None
        if level is not None and level.part_of is not None:
            return ()
        judged = self._looked and not (level is not None and level.not_judged)
        found = (self._judge_kind(latest, self.first_at, now, range_width),) if judged else ()
        if not math.isfinite(self.interval_s):
            return found
        as_of = max(probe_seen_at, self.last_at)
        missing = rules.judge_not_reporting(self.key, self.last_at, self.interval_s, as_of, self.rules.not_reporting)
        if (
            self._looked
            or missing.priority is not None
            or self._book.priority_of(self.key, Concern.NOT_REPORTING) is None
        ):
            return (*found, missing)
        return found  # a restored alert must not end only because no sample has been missed since the restart

    def _judge_level(self, seen: Level, now: datetime, range_width: float) -> Finding:
        """The finding for a level. A forecast is valid until the next sample, or longer (_holds): a later evaluation
        uses the same forecast at a later time. What raises an alert is always made from the newest sample.
        """
        standing, limits = self._book.priority_of(self.key, Concern.FULL), self.rules.full
        known, share, shares = self.forecast, seen.used / seen.capacity, self.rules.used_share
        if known is not None and (not self._outdated or (standing is None and self._holds(known, seen, now))):
            found = rules.judge_full(self.key, known, now, limits, standing, self.bad_since, share, shares)
            if not self._outdated or found.priority is None:
                return found
        self.forecast, self._outdated = self._forecast(now, range_width), False
        return rules.judge_full(self.key, self.forecast, now, limits, standing, self.bad_since, share, shares)

    def _holds(self, known: Forecast, seen: Level, now: datetime) -> bool:
        """Return whether a forecast holds after this sample too: it is recent, and the level has hardly moved."""
        if known.no_end is NoEnd.TOO_FEW or known.capacity != seen.capacity:
            return False
        widest_s, moved = self.rules.full.widest_s, abs(seen.used - known.used)
        holds_s = min(FORECAST_S, widest_s * FORECAST_SHARE) if widest_s else FORECAST_S
        slow = moved * widest_s <= (known.capacity - known.used) * holds_s
        return slow and 0 <= now.timestamp() - known.at_s < holds_s

    def _forecast(self, now: datetime, range_width: float) -> Forecast:
        found = exhaustion.forecast(self.history, now.timestamp())
        found = with_stopped_growth(with_unusual_growth(found, self.history), self.history)
        return calibration.adjusted(found, range_width)

    def _judge_kind(self, seen: Observation, first_at: datetime, now: datetime, range_width: float) -> Finding:
        match seen:
            case Level():
                return self._judge_level(seen, now, range_width)
            case Deadline():
                return rules.judge_overdue(seen, first_at, now, self.rules.overdue)
            case Answer():
                answer = rules.judge_not_answering(seen, self.bad_since, now, self.rules.not_answering)
                return self._with_period(answer)
            case Condition():
                return self._with_period(rules.judge_faulty(seen, self.bad_since, now, self.rules.faulty))
            case _:
                assert_never(seen)
