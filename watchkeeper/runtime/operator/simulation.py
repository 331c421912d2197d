"""Steps the simulated alerts: through the real correlation and delays, and to their end.

Not here: what is sent (pipeline.py), and what their messages say (messages/).
"""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.correlation.correlation import Correlation
from watchkeeper.model.alert import CONCERN, Priority, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.simulation import LONGEST_SIMULATION_S, OVER, SIMULATED, Simulation
from watchkeeper.runtime.series_registry import SeriesEntry

RUNS = "simulated alert"


class Simulations:
    """The simulated alerts that have not ended, one for each subject."""

    def __init__(self) -> None:
        self._running: dict[SeriesKey, Simulation] = {}

    def begin(
        self, subject: str, entries: Iterable[SeriesEntry], priority: Priority, lasts_s: float, now: datetime
    ) -> Simulation | None:
        """Begin one, in place of an earlier one of the subject; None if no series has the subject."""
        first = next((each for each in entries if each.evaluator.key.subject == subject and not each.orphaned), None)
        if first is None:
            return None
        concern = CONCERN[first.evaluator.kind]
        delays = first.evaluator.rules.delays(concern)
        lasts = timedelta(seconds=min(lasts_s, LONGEST_SIMULATION_S) + delays.on_delay_s)
        key = SeriesKey(subject, SIMULATED)
        made = self._running[key] = Simulation(key, concern, priority, now, now + lasts, delays)
        return made

    def step(
        self, book: AlertBook, correlation: Correlation, now: datetime
    ) -> Iterator[tuple[Finding, tuple[Transition, ...]]]:
        """Move each one, and end it when its time is over; yield its finding and the moves."""
        for key, each in list(self._running.items()):
            if now >= each.until or now < each.began_at:  # a clock that was set back must not extend it
                del self._running[key]
                ended, moves = state_machine.dropped(book.get(key, each.concern), now)
                book.put(ended)
                yield Finding(key, each.concern, now, None, reason=OVER), moves
            else:
                found = Finding(key, each.concern, now, each.priority, since=each.began_at, reason=RUNS)
                yield found, correlation.step(found, now, each.delays)
