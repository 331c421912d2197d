"""One unit of work of the pipeline: what it gathers before it is committed, and how a transition gets into it.

Not here: what moves an alert (pipeline.py), and writing (write_buffer.py).
"""

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Protocol

from watchkeeper.alerting.alert_book import AlertKey
from watchkeeper.alerting.clock_gaps import Gap
from watchkeeper.logs.fields import NOTICE, Event, about
from watchkeeper.messages.build import compose, noted
from watchkeeper.messages.wording import duration, instant
from watchkeeper.model.alert import Alert, Priority, Transition
from watchkeeper.model.finding import Finding
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Observation
from watchkeeper.model.records import Commit, Delivery, Entry, JournalLine, Seen

log = logging.getLogger(__name__)

TOLD_AWAY_S = 300.0
"""Away for so long is told; a restart of the service, or a hold-up, stands in the journal alone."""


def nothing_depends(_: str) -> tuple[str, ...]:
    """What depends on a subject of the daemon's own: nothing."""
    return ()


class OutboxPort(Protocol):
    """What the pipeline needs of the outbox."""

    def parcels_for(self, message: Message, at: datetime) -> tuple[Delivery, ...]:
        """One parcel for each notifier that wants to hear of it."""
        ...

    def poke(self) -> None:
        """Say that new parcels have been committed."""
        ...

    @property
    def holding(self) -> int:
        """How many parcels are held in memory."""
        ...

    def hold(self, parcels: Sequence[Delivery]) -> None:
        """Deliver parcels that the store has no room for, from memory."""
        ...

    def take_back(self) -> tuple[Sequence[Delivery], Sequence[JournalLine]]:
        """What is held and not under way just now, as it stands, and what the journal has to say of it.

        It is held no longer: the caller commits it, or holds it again.
        """
        ...


@dataclass(slots=True)
class UnitOfWork:
    """What is committed together. Later alerts and findings replace earlier ones."""

    seen: list[Seen] = field(default_factory=list)
    findings: dict[AlertKey, Finding] = field(default_factory=dict)
    alerts: dict[AlertKey, Alert] = field(default_factory=dict)
    journal: list[JournalLine] = field(default_factory=list)
    parcels: list[Delivery] = field(default_factory=list)

    @property
    def lasting(self) -> bool:
        """Does it hold what must not be lost?"""
        return bool(self.alerts or self.journal or self.parcels)

    def found(self, findings: Iterable[Finding]) -> None:
        """Take findings."""
        for each in findings:
            self.findings[each.key, each.concern] = each

    def collect(self, alerts: Iterable[Alert]) -> None:
        """Take alerts as they stand now."""
        self.alerts.update({(alert.key, alert.concern): alert for alert in alerts})

    def commit(self) -> Commit:
        """All of it, to be written."""
        return Commit(
            tuple(self.seen),
            tuple(self.findings.values()),
            tuple(self.alerts.values()),
            tuple(self.journal),
            tuple(self.parcels),
        )


class Notifications:
    """Puts what happens into a unit's journal and, where there is something to notify, into its messages."""

    def __init__(self, outbox: OutboxPort, host: str, zone: tzinfo) -> None:
        """host: as messages say it; zone: the operator's."""
        self._outbox, self._host, self._zone = outbox, host, zone

    def transition(
        self,
        unit: UnitOfWork,
        move: Transition,
        found: Finding,
        seen: Observation | None = None,
        dependents_of: Callable[[str], tuple[str, ...]] = nothing_depends,
    ) -> None:
        """A transition: a line of the journal, and a message where it has something to notify.

        dependents_of: the subjects that depend on one.
        """
        after, text = move.after, f"{move.after.key}: {move.event.value}"
        if move.telling is not None:
            dependents = dependents_of(after.key.subject)
            message = compose(move, found, seen, self._host, self._zone, dependents)
            text = message.headline
            unit.parcels.extend(self._outbox.parcels_for(message, move.at))
        details = {"event": move.event.value, "state": after.state.value, "episode": str(after.episode)}
        if after.priority is not None:
            details["priority"] = after.priority.word
        if after.held_by is not None:
            details["held by"] = str(after.held_by)
        unit.journal.append(JournalLine(move.at, Entry.TRANSITION, text, after.key, after.concern, details))
        _log(move, text)

    def gap(self, unit: UnitOfWork, gap: Gap, entry: Entry, why: str) -> None:
        """The watch was away, or the clock was set: a line of the journal, and a message where it was away for long."""
        now = gap.until
        if gap.set_by_s:
            unit.journal.append(JournalLine(now, Entry.NOTE, f"the clock was set by {gap.set_by_s:+.0f} s"))
        if not gap.away_s:
            return
        away = f"{duration(gap.away_s)} away, since {gap.since:%Y-%m-%d %H:%M} UTC"
        details = {"away since": gap.since.isoformat(), "away for": f"{gap.away_s:.0f} s"}
        unit.journal.append(JournalLine(now, entry, f"the watch goes on after {away}", details=details))
        if gap.away_s >= TOLD_AWAY_S:
            since, until = (instant(at, self._zone, now) for at in (gap.since, gap.until))
            message = noted(
                self._host,
                now,
                self._zone,
                f"watchkeeper was away for {duration(gap.away_s)}, until {until}",
                f"watchkeeper was away for {duration(gap.away_s)}: from {since} to {until}. {why}",
                "What happened meanwhile is not known, and no silence is counted for it. The watch goes on.",
            )
            unit.parcels.extend(self._outbox.parcels_for(message, now))


def _log(move: Transition, text: str) -> None:
    """A transition's line in the log: an alarm is a warning there, for the daemon itself is well."""
    after = move.after
    rises = after.priority is not None and after.priority > (move.before.priority or 0)
    level = logging.WARNING if rises and after.priority is Priority.ALARM else NOTICE if rises else logging.INFO
    fields = about(
        Event.ALERT,
        key=after.key,
        concern=after.concern,
        priority=after.priority,
        alert=f"{after.key} {after.concern.value} {after.episode}",
        move=move.event.value,
        state=after.state.value,
        told=move.telling.value if move.telling else "no",
    )
    log.log(level, "%s", text, extra=fields)
