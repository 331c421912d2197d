"""The inputs and outputs of retention: the instants before which rows are rolled up or deleted, and the extent.

Not here: how long each is kept (the configuration), when it runs (watchkeeper/periodic/retention.py), and the SQL
(rollup.py, retention.py).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from watchkeeper.store.history import change_rows, outage_rows, retention
from watchkeeper.store.history import rollup as grains
from watchkeeper.store.history.rollup import Chore


@dataclass(frozen=True, slots=True)
class RetentionLimits:
    """Instants; None leaves that kind alone.

    samples: those from before become hours. hours: those that ended before become days. days: those that ended before
    are deleted, and so are outages, event log lines, completed deliveries, forecasts, decisions, changes of the host,
    and the newest observation and findings of series that were not seen since `gone`.
    """

    samples: datetime | None = None
    hours: datetime | None = None
    days: datetime | None = None
    events: datetime | None = None
    delivered: datetime | None = None
    gone: datetime | None = None
    forecasts: datetime | None = None
    decisions: datetime | None = None
    changes: datetime | None = None

    def chores(self) -> Iterator[Chore]:
        """The tasks, in an order in which a series can be deleted with the last of its days."""
        wanted = (
            (lambda before: grains.fold_samples(before, outage_rows.fold), self.samples),
            (grains.fold_hours, self.hours),
            (grains.drop_days, self.days),
            (outage_rows.drop, self.days),
            (retention.drop_lines, self.events),
            (retention.drop_delivered, self.delivered),
            (retention.drop_gone, self.gone),
            (retention.drop_forecasts, self.forecasts),
            (retention.drop_decisions, self.decisions),
            (change_rows.drop, self.changes),
        )
        return (chore(before) for chore, before in wanted if before is not None)


@dataclass(frozen=True, slots=True)
class Extent:
    """How large the database is. free_bytes: of size_bytes, not in use. *_from: the oldest of all series."""

    size_bytes: int
    free_bytes: int
    samples_from: datetime | None
    hours_from: datetime | None
