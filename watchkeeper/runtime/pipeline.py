"""The only path: observation -> store -> finding -> alert -> event log and outbox. Nothing else moves an alert.

A batch of series is evaluated, the findings move alerts (taking the others into account: alerting/correlation/), and
what changed is committed in one transaction with the samples that caused it. A failing probe is an observation too, of
the probe itself, so that its failure takes the same path as everything else.

A pipeline lives as long as a configuration; the next one takes over its state (pipeline_state.py). Not here: running
probes and when (runner.py).
"""

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from functools import partial

from watchkeeper.alerting import state_machine
from watchkeeper.alerting.clock_gaps import Gap
from watchkeeper.alerting.correlation.correlation import Correlation, is_down
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.alerting.correlation.group_alerts import LIMITS, OWN, Limits, named
from watchkeeper.alerting.orphans import UNWATCHED
from watchkeeper.alerting.rules import Rules
from watchkeeper.alerting.top_growers import with_growers
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.growth import is_space
from watchkeeper.messages.wording import clean, instant
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, Transition
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Condition, Observation, SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.operator.simulation import is_simulated
from watchkeeper.model.records import Entry, EventLine, Seen
from watchkeeper.model.units import DAY_S
from watchkeeper.periodic.decision_log import DecisionLog, is_close
from watchkeeper.runtime.pipeline_state import DeletionsPort, PipelineState
from watchkeeper.runtime.removal import end_alerts
from watchkeeper.runtime.restore import Latest, gap_before, restore_series, unsettled_series
from watchkeeper.runtime.scheduled_probe import ProbeRuns, ScheduledProbe
from watchkeeper.runtime.series_registry import SeriesEntry
from watchkeeper.runtime.unit_of_work import UnitOfWork

log = logging.getLogger(__name__)

LOGGED = {Entry.START: Event.START, Entry.STOP: Event.STOP, Entry.CONFIGURATION: Event.RELOAD}
"""The event log entries that are also logged. Not the operator's own notes: they are private."""

NEWS = frozenset({NotificationKind.RAISED, NotificationKind.WORSE})
"""Messages that name what was sent before and belongs to the same event."""

NEARING_S, NEARING_WORSE_S = 33 * DAY_S, 8 * DAY_S
"""A store that will be full within the first is soon reported, by the default limits of 30 days; one that is reported
already is soon reported again within the second, by the limit of 7 days."""

Evaluated = list[tuple[SeriesEntry, tuple[Finding, ...]]]
"""The findings for each series."""

STOPPED = "The host was off, or the daemon was stopped."


class Pipeline:
    """Processes what probes deliver, according to one configuration."""

    def __init__(
        self,
        state: PipelineState,
        depends_on: Mapping[str, Sequence[str]] | None = None,
        limits: Limits = LIMITS,
        before: "Pipeline | None" = None,
    ) -> None:
        """depends_on: what each probe's subjects depend on, by its label. limits: when alerts are reported together.

        before: the pipeline of the previous configuration, which used the same state.
        """
        self.state = state
        self._registry = state.registry
        earlier = None if before is None else before.correlation
        dependencies = Dependencies(depends_on, None if earlier is None else earlier.dependencies)
        self.correlation: Correlation = Correlation(
            state.book,
            state.registry.down,
            dependencies,
            limits,
            earlier,
            state.maintenance.covering(dependencies),
        )
        self._dependencies = dependencies

    def dependents_of(self, subject: str) -> tuple[str, ...]:
        """The subjects that are not reported separately while this subject is down."""
        return self._dependencies.dependents_of(subject)

    def causes_of(self, observed: Iterable[Observation]) -> list[str]:
        """The labels of the probes of everything on which those things depend that were not down before."""
        ties = self._dependencies
        failed = (each.key for each in observed if is_down(each) and each.key not in self._registry.down)
        names = dict.fromkeys(name for key in failed for name in ties.dependencies_of(key.subject))
        return list(dict.fromkeys(probe for name in names for probe in ties.probes_of(name) or (name,)))

    # Start of the daemon, and of a configuration --------------------------------------------------------------------

    async def restore(
        self,
        probes: Sequence[ScheduledProbe],
        latest: Latest,
        findings: Iterable[Finding],
        standing: Sequence[Alert],
        last_commit_at: datetime | None = None,
    ) -> None:
        """Continue from what the store holds.

        last_commit_at: when the daemon last ran, as far as is known; longer ago than a restart takes is a gap.
        """
        state, now, unit = self.state, self.state.clock.now(), UnitOfWork()
        by_label = {each.label: each for each in probes}
        self._registry.expect(by_label, now)
        state.book.restore(standing)
        self.correlation.restore(now)
        unsettled = unsettled_series(standing)
        for entry, seen in restore_series(self._registry, by_label, latest, findings, unsettled, now):
            if not entry.orphaned:
                self._dependencies.observe(seen.observation, entry.owner.label)
                self._registry.mark(seen.observation, now)
        state.orphan_wait.begin(by_label, by_label, now)
        if (gap := gap_before(last_commit_at, now)) is not None:
            self._bridge(gap, unit, Entry.START, STOPPED)
        self._end(unit, [a for a in standing if a.key not in self._registry and a.key not in OWN], now)
        if state.book.any_changed() or unit.lasting or state.held_back:
            await state.buffer.write(unit, now)

    def adopt(self, probes: Sequence[ScheduledProbe]) -> None:
        """Use this pipeline's configuration from now on: the known state of a series stays, and alerts move with the
        next evaluation.
        """
        now, labels = self.state.clock.now(), {each.label for each in probes}
        new = labels - self._registry.runs.keys()
        self._registry.adopt(probes, now)
        self.state.orphan_wait.begin(new, labels, now)

    # The path -------------------------------------------------------------------------------------------------------

    async def take(self, probe: ScheduledProbe, observed: Sequence[Observation], own: Condition) -> None:
        """Process one run's observations, and the probe's own condition."""
        unit = UnitOfWork()
        now = self._look_at_clocks(unit)
        runs = self._registry.runs.setdefault(probe.label, ProbeRuns(now))
        if own.ok:
            runs.went_well_at = now
        evaluated, errors = self._evaluate(self._record(unit, probe, observed, now), now)
        evaluated += self._evaluate(self._record_own(unit, probe, runs, _with_errors(own, errors), now), now)[0]
        unit.found([found for _, findings in evaluated for found in findings])
        for entry, findings in evaluated:
            self._move(unit, entry, findings, now)
            if entry.evaluator.forecast is not None:
                unit.forecast(self.state.forecasts.note_level(entry.evaluator))
        self._settle(unit, now)
        await self.state.buffer.write(unit, now)

    async def review(self) -> None:
        """Evaluate everything again: a missing sample and the end of a delay are not events."""
        self.state.reviewed_at = self.state.clock.now()
        await self._drop_orphans()
        await self.evaluate(self._registry.values())

    async def evaluate(self, entries: Iterable[SeriesEntry]) -> None:
        """Evaluate these series again."""
        unit = UnitOfWork()
        now = self._look_at_clocks(unit)
        for entry, findings in self._evaluate([entry for entry in entries if not entry.orphaned], now)[0]:
            if self._move(unit, entry, findings, now):
                unit.found(findings)
            if entry.evaluator.gone:
                self._forget(entry)
        self._settle(unit, now)
        if unit.lasting or unit.decisions or self.state.buffer.must_write or self.state.book.any_changed():
            await self.state.buffer.write(unit, now)

    def _record(
        self, unit: UnitOfWork, probe: ScheduledProbe, observed: Iterable[Observation], now: datetime
    ) -> list[SeriesEntry]:
        """Record a run's observations; return their series."""
        self.state.orphan_wait.looked(probe.label)
        entries = dict.fromkeys([self._known(probe, each, now) for each in observed])
        for each in observed:
            self._seen(unit, probe, each, now)
        return list(entries)

    def _record_own(
        self, unit: UnitOfWork, probe: ScheduledProbe, runs: ProbeRuns, own: Condition, now: datetime
    ) -> list[SeriesEntry]:
        """Record the probe's own condition; return its series if there is new information."""
        entry = self._known(probe, own, now)
        if not runs.news(own, now):
            return []
        runs.stored, runs.stored_at = own, now
        self._seen(unit, probe, own, now)
        return [entry]

    def _known(self, probe: ScheduledProbe, each: Observation, now: datetime) -> SeriesEntry:
        """The series of an observation, which has taken it."""
        entry = self._registry.entry(probe, each)
        entry.evaluator.take(each, now)
        self._dependencies.observe(each, probe.label)
        self._registry.mark(each, now)
        return entry

    def _seen(self, unit: UnitOfWork, probe: ScheduledProbe, each: Observation, now: datetime) -> None:
        if self.state.recording:
            unit.seen.append(Seen(now, each, probe.label, probe.interval_s))

    def _evaluate(self, entries: Iterable[SeriesEntry], now: datetime) -> tuple[Evaluated, dict[SeriesKey, Exception]]:
        """The findings of the rules for each series, and what failed. A fault of the program in one series neither
        stops the others nor ends the daemon.
        """
        seen_at, width = self._registry.seen_at, self.state.forecasts.width
        evaluated, errors = Evaluated(), dict[SeriesKey, Exception]()
        for entry in entries:
            evaluator = entry.evaluator
            try:
                evaluated.append((entry, evaluator.evaluate(now, seen_at(entry), width)))
            except Exception as error:
                log.exception(
                    "%s cannot be evaluated", evaluator.key, extra=about(Event.PROBE_ERROR, key=evaluator.key)
                )
                errors[evaluator.key] = error
        return evaluated, errors

    def _move(self, unit: UnitOfWork, entry: SeriesEntry, findings: Iterable[Finding], now: datetime) -> bool:
        """Move a series' alerts according to the findings; return whether any moved."""
        moved, limits, first = False, entry.evaluator.rules, len(unit.decisions)
        concerned = entry.evaluator.bad_since is not None
        moving = self.state.book.concerned(findings)
        for found in moving:
            concerned = True
            for move in self.correlation.step(found, now, limits.delays(found.concern)):
                moved = True
                self._notify(unit, move, found, entry)
        if self.state.deletions is not None:
            self._read_ahead(findings, self.state.deletions)
        if concerned:
            self.state.timer.plan(entry, now)
        else:
            entry.next_evaluation = None
        # Why comes before what was sent because of it.
        unit.decisions[first:first] = self._decided(entry, findings, moving)
        if self.state.reasons is not None:
            self._explain(self.state.reasons, entry, findings)
        return moved

    def _settle(self, unit: UnitOfWork, now: datetime) -> None:
        """Move the alerts that represent several others, those that they have reported, and simulated ones."""
        self._simulate(unit, now)
        for over in self.state.maintenance.take_over(now):
            unit.events.append(self._maintenance_line(over, now, "ended: its time is over"))
        for found, moves in self.correlation.settle(now):
            for move in moves:
                self._notify(unit, move, found)
            if moves:
                unit.found([found])
            self._decide_without_series(unit, found, moves)
        for move in self.correlation.summed_up(now):
            self._notify(unit, move, Finding(move.after.key, move.after.concern, now, move.after.priority))

    def _decide_without_series(self, unit: UnitOfWork, found: Finding, moves: Sequence[Transition]) -> None:
        """Keep and log the decision about an alert that no series has."""
        alert, state = self.state.book.get(found.key, found.concern), self.state
        if found.priority is not None or not alert.at_rest or moves:
            decided = state.groups_decided.setdefault(found.key, {})
            note = state.decisions.note(found, None, Rules(), alert, decided, state.zone)
            unit.decisions.extend(filter(None, [note]))
        if state.reasons is not None:
            explained = state.groups_explained.setdefault(found.key, {})
            state.reasons.note(found, None, Rules(), alert, explained, state.zone)

    def _simulate(self, unit: UnitOfWork, now: datetime) -> None:
        """Move the simulated alerts; nothing depends on them."""
        state = self.state
        for found, moves in state.simulations.step(state.book, self.correlation, now):
            for move in moves:
                state.notifications.transition(unit, move, found)
            if moves:
                unit.found([found])
            self._decide_without_series(unit, found, moves)

    def _notify(self, unit: UnitOfWork, move: Transition, found: Finding, entry: SeriesEntry | None = None) -> None:
        seen = None
        if entry is not None and not entry.evaluator.gone:
            seen = with_growers(entry.evaluator.latest, found, (each.evaluator for each in self._registry.values()))
        late_s = entry.evaluator.interval_s if entry is not None else 0.0
        sent = self.correlation.sent_before(move.after, late_s) if move.notification in NEWS else ()
        state, subject = self.state, found.key.subject
        deletions = state.deletions.known(subject) if state.deletions is not None and is_space(found.key) else None
        state.notifications.transition(
            unit, move, found, seen, self.dependents_of, sent, state.changes.before, deletions
        )

    def _read_ahead(self, findings: Iterable[Finding], deletions: DeletionsPort) -> None:
        """Read what could be deleted of a store that will soon be reported: the message can then have it."""
        for found in findings:
            forecast = found.forecast
            if forecast is None or forecast.likely_s is None or not is_space(found.key):
                continue
            raised = self.state.book.get(found.key, found.concern).priority is not None
            if forecast.likely_s - forecast.at_s <= (NEARING_WORSE_S if raised else NEARING_S):
                deletions.want_ahead(found.key.subject)

    def _decided(
        self, entry: SeriesEntry, findings: Iterable[Finding], moving: Sequence[Finding]
    ) -> Iterator[Decision]:
        """The decisions about a series that are to be kept."""
        evaluator = entry.evaluator
        for found in findings:
            if found not in moving and not is_close(found):
                continue
            if entry.decided is None:
                entry.decided = {}
            seen = None if evaluator.gone else evaluator.latest
            alert = self.state.book.get(found.key, found.concern)
            note = self.state.decisions.note(found, seen, evaluator.rules, alert, entry.decided, self.state.zone)
            if note is not None:
                yield note

    def _explain(self, reasons: DecisionLog, entry: SeriesEntry, findings: Iterable[Finding]) -> None:
        if entry.explained is None:
            entry.explained = {}
        evaluator = entry.evaluator
        for found in findings:
            seen = None if evaluator.gone else evaluator.latest
            alert = self.state.book.get(found.key, found.concern)
            reasons.note(found, seen, evaluator.rules, alert, entry.explained, self.state.zone)

    # What no longer exists ------------------------------------------------------------------------------------------

    def _forget(self, entry: SeriesEntry) -> None:
        """A permanently gone series explains nothing; once its alerts are over it is no longer evaluated."""
        self._registry.disregard(entry.evaluator.key)
        if entry.evaluator.over:
            del self._registry[entry.evaluator.key]

    async def _drop_orphans(self) -> None:
        """Drop the series that no probe of this configuration delivers, once that is known."""
        now, unit = self.state.clock.now(), UnitOfWork()
        orphans = sorted(self._registry.orphans) if self.state.orphan_wait.over(now) else []
        for key in orphans:
            evaluator = self._registry[key].evaluator
            unit.found([Finding(key, concern, now, None, reason=UNWATCHED) for concern in evaluator.concerns])
            self._end(unit, evaluator.alerts, now)
            del self._registry[key]
        if orphans:
            text = f"{UNWATCHED}: {named(map(str, orphans))}"
            unit.events.append(EventLine(now, Entry.CONFIGURATION, text))
            self._settle(unit, now)
            await self.state.buffer.write(unit, now)

    def _end(self, unit: UnitOfWork, alerts: Iterable[Alert], now: datetime) -> None:
        for found, move in end_alerts(self.state.book, alerts, now):
            self._notify(unit, move, found)

    # Actions and notes of people ------------------------------------------------------------------------------------

    async def note(self, entry: Entry, text: str, key: SeriesKey | None = None, **details: str) -> None:
        """Write a line into the event log, about a series if one is given."""
        unit, now = UnitOfWork(), self.state.clock.now()
        if entry in LOGGED:
            log.info("%s", text, extra=about(LOGGED[entry], key=key))
        unit.events.append(EventLine(now, entry, text, key, details=details))
        await self.state.buffer.write(unit, now)

    async def changed(self, kind: ChangeKind, what: str, action: str, detail: str) -> None:
        """Record a change that people made now. One that cannot be stored is in the event log alone."""
        with suppress(StoreError):
            await self.state.changes.record([Change(self.state.clock.now(), kind, what, action, detail)])

    async def acknowledge(self, key: SeriesKey, concern: Concern) -> bool:
        """Acknowledge an alert for the operator; False if there was nothing to acknowledge."""
        return await self._by_operator(key, concern, state_machine.acknowledge)

    async def shelve(
        self, key: SeriesKey, concern: Concern, until: datetime | None = None, *, once: bool = False
    ) -> bool:
        """Shelve an alert, as state_machine.shelve does; False if there is no such alert."""
        return await self._by_operator(key, concern, partial(state_machine.shelve, until=until, once=once))

    async def simulate(self, subject: str, priority: Priority, lasts_s: float) -> bool:
        """Raise a simulated alert about a subject; False if no series has that subject."""
        unit = UnitOfWork()
        now = self._look_at_clocks(unit)
        begun = self.state.simulations.begin(subject, self._registry.values(), priority, lasts_s, now)
        if begun is not None:
            self._settle(unit, now)
            await self.state.buffer.write(unit, now)
        return begun is not None

    async def maintain(self, subject: str, until: datetime, reason: str) -> bool:
        """Begin the maintenance of a subject and of all that depends on it; False if no series has that subject."""
        if not any(key.subject == subject for key in self._registry):
            return False
        unit = UnitOfWork()
        now = self._look_at_clocks(unit)
        begun = self.state.maintenance.begin(subject, until, reason, now)
        self.correlation.begin_maintenance(now)
        said = f"until {instant(begun.until, self.state.zone, now)}{f': {reason}' if reason else ''}"
        unit.events.append(self._maintenance_line(begun, now, said))
        await self.state.buffer.write(unit, now)
        return True

    async def end_maintenance(self, subject: str) -> bool:
        """End the maintenance of a subject; False if there is none. What is still faulty is sent now."""
        ended = self.state.maintenance.end(subject)
        if ended is None:
            return False
        unit = UnitOfWork()
        now = self._look_at_clocks(unit)
        unit.events.append(self._maintenance_line(ended, now, "ended by the operator"))
        await self.state.buffer.write(unit, now)
        await self.review()
        return True

    def _maintenance_line(self, about: Maintenance, now: datetime, said: str) -> EventLine:
        key = next((key for key in self._registry if key.subject == about.subject), None)
        text = f"maintenance of {clean(about.subject)} {said}"
        details = {"subject": about.subject, "until": about.until.isoformat()}
        return EventLine(now, Entry.NOTE, text, key, details=details)

    async def unshelve(self, key: SeriesKey, concern: Concern) -> bool:
        """End a shelving; False if there was none."""
        return await self._by_operator(key, concern, state_machine.unshelve)

    async def _by_operator(
        self, key: SeriesKey, concern: Concern, step: Callable[[Alert, datetime], Transition | None]
    ) -> bool:
        unit = UnitOfWork()
        now = self._look_at_clocks(unit)
        move = step(self.state.book.get(key, concern), now) if self._can_raise(key, concern) else None
        if move is not None:
            self.state.book.put(move.after)
            self._notify(unit, move, Finding(key, concern, now, move.after.priority))
        if unit.lasting or self.state.book.any_changed():
            await self.state.buffer.write(unit, now)
        return move is not None

    def _can_raise(self, key: SeriesKey, concern: Concern) -> bool:
        if is_simulated(key):
            return self.state.book.find(key, concern) is not None
        entry = self._registry.get(key)
        return concern is OWN.get(key) if entry is None else concern in entry.evaluator.concerns

    # Gaps -----------------------------------------------------------------------------------------------------------

    def _look_at_clocks(self, unit: UnitOfWork) -> datetime:
        """The current time; a clock change, or a gap in monitoring, since the last reading is added to the unit."""
        now, gap = self.state.look_at_clocks()
        if gap is not None:
            why = "The host was suspended." if gap.slept else "The process was stopped, or the machine stalled."
            text = "no monitoring for %.0f s; the clock was changed by %+.0f s"
            log.warning(text, gap.away_s, gap.set_by_s, extra=about(Event.GAP))
            self._bridge(gap, unit, Entry.NOTE, why)
        return now

    def _bridge(self, gap: Gap, unit: UnitOfWork, entry: Entry, why: str) -> None:
        """Continue after a gap, without counting it as missing answers."""
        self.state.count_break(gap.until)
        self.state.book.bridge(gap.length)
        self._registry.bridge(gap.length, gap.until, look_again=gap.must_look_again)
        self.correlation.bridge(gap.length)
        self.state.notifications.gap(unit, gap, entry, why)


def _with_errors(own: Condition, errors: Mapping[SeriesKey, Exception]) -> Condition:
    """The probe's own condition; faulty if what it delivered could not be evaluated."""
    if not errors or not own.ok:
        return own
    key, error = next(iter(errors.items()))
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    reason = f"{key}{more} cannot be evaluated: {type(error).__name__}: {error}; the log has the details"
    return replace(own, ok=False, reason=reason)
