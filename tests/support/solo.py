"""One series whose alerts no other series holds back: evaluated, and stepped as in a backtest."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.evaluator import SeriesEvaluator
from watchkeeper.alerting.rules import Rules
from watchkeeper.model.alert import Alert, Concern, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Kind, SeriesKey


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of one evaluation."""

    findings: tuple[Finding, ...] = ()
    transitions: tuple[Transition, ...] = ()

    def finding(self, concern: Concern) -> Finding:
        return next(f for f in self.findings if f.concern is concern)


class Solo(SeriesEvaluator):
    """An evaluator with its own alert book, whose alerts move at each evaluation."""

    def __init__(
        self, key: SeriesKey, kind: Kind, interval_s: float, limits: Rules, standing: Iterable[Alert] = ()
    ) -> None:
        self.book = AlertBook(standing)
        super().__init__(key, kind, interval_s, limits, self.book)

    def judge(self, now: datetime, probe_seen_at: datetime | None = None) -> Outcome:
        """Evaluate, and move the alerts."""
        findings = self.evaluate(now, probe_seen_at)
        moves = [move for f in findings for move in self.book.step(f, now, self.rules.delays(f.concern))]
        return Outcome(findings, tuple(moves))

    def alert(self, concern: Concern) -> Alert:
        """One of its alerts."""
        return self.book.get(self.key, concern)

    def acknowledge(self, concern: Concern, now: datetime) -> None:
        """Acknowledge as the operator, if there is something to acknowledge."""
        move = state_machine.acknowledge(self.alert(concern), now)
        if move is not None:
            self.book.put(move.after)
