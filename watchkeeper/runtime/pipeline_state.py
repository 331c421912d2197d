"""State that a pipeline hands over to its successor at a reload: everything that lives as long as the process.

Not here: what follows from the configuration (pipeline.py), and the use of this state.
"""

from datetime import datetime, tzinfo
from typing import Protocol

from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.clock_gaps import Clocks, Gap, between
from watchkeeper.alerting.forecast_record import ForecastRecord
from watchkeeper.alerting.orphans import OrphanWait
from watchkeeper.clock import Clock
from watchkeeper.messages.deletions import Deletions
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.ports import WriteStore
from watchkeeper.periodic.decision_log import DecisionLog, DecisionRecord, Explained
from watchkeeper.runtime.evaluation_timer import EvaluationTimer
from watchkeeper.runtime.operator.maintenance import PlannedMaintenance
from watchkeeper.runtime.operator.simulation import Simulations
from watchkeeper.runtime.recent_changes import RecentChanges
from watchkeeper.runtime.series_registry import SeriesRegistry
from watchkeeper.runtime.unit_of_work import Notifications, OutboxPort
from watchkeeper.runtime.write_buffer import WriteBuffer


class DeletionsPort(Protocol):
    """Reads which snapshots hold most of a store, in the background."""

    def want_ahead(self, subject: str) -> object:
        """Begin to read, if it is a store and what was read will soon be too old for a message."""
        ...

    def known(self, subject: str) -> Deletions | None:
        """What was read; None if it is not known."""
        ...


class PipelineState:
    """Alerts, series and what is not written yet; and the daemon's report of its own health."""

    def __init__(
        self,
        store: WriteStore,
        outbox: OutboxPort,
        clock: Clock,
        host: str,
        zone: tzinfo,
        *,
        gather_s: float = 0.0,
        changes: RecentChanges | None = None,
    ) -> None:
        """host: the monitored host's name in messages. zone: the operator's time zone, for the times in messages.

        gather_s: how long samples that change no alert wait for others, to share a commit. changes: what changed on
        the host; kept in memory by default.
        """
        self.clock = clock
        self.changes = changes or RecentChanges()
        self.book = AlertBook()
        self.registry = SeriesRegistry(self.book)
        self.notifications = Notifications(outbox, host, zone)
        self.buffer = WriteBuffer(store, outbox, self.notifications, self.book, gather_s)
        self.forecasts = ForecastRecord()
        self.deletions: DeletionsPort | None = None
        """What deleting snapshots of a store would free; None: it is not read."""
        self.timer, self.orphan_wait = EvaluationTimer(), OrphanWait()
        self.reasons = DecisionLog.wanted()
        self.decisions, self.zone = DecisionRecord(), zone
        self.simulations, self.maintenance = Simulations(), PlannedMaintenance()
        self.groups_explained: dict[SeriesKey, Explained] = {}
        self.groups_decided: dict[SeriesKey, Explained] = {}
        self.clocks: Clocks | None = None
        self.reviewed_at: datetime | None = None
        self.recording = True
        """True while samples are recorded. Not while the clock cannot be trusted: their times would be wrong."""
        self.breaks = 0
        """How often the clock was set or monitoring was interrupted since the start: the schedule then starts again."""

    @property
    def held_back(self) -> int:
        """The number of records that wait in memory because the store cannot be written."""
        return self.buffer.held_back

    @property
    def database_trouble(self) -> str:
        """Why the database cannot be written; empty if it can."""
        return self.buffer.trouble

    def troubled_probes(self) -> list[str]:
        """Each probe that does not run without error, with the reason."""
        return self.registry.troubled_probes()

    def look_at_clocks(self) -> tuple[datetime, Gap | None]:
        """The current time, and the gap since the last reading; None if there was none."""
        before, now = self.clocks, Clocks(self.clock.now(), self.clock.monotonic_s(), self.clock.boottime_s())
        self.clocks = now
        return now.wall, None if before is None else between(before, now)

    def count_break(self, now: datetime) -> None:
        """Count a gap in monitoring, or a clock change: no review was late meanwhile."""
        self.breaks += 1
        self.reviewed_at = self.reviewed_at and now
