"""The one path: observation -> store -> finding -> alert -> journal and outbox. Nothing else moves an alert.

A probe that fails is an observation too, of the probe itself, so that its failure goes down the same path as all else.
The alert, its journal line and its parcels are committed in one transaction with the samples that caused them.
"""

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from typing import Protocol

from watchkeeper.clock import Clock
from watchkeeper.core import alert_steps
from watchkeeper.core.alerts import Alert, Concern, Delays, Transition
from watchkeeper.core.judgement import Judgement, Outcome
from watchkeeper.core.message import Message, compose
from watchkeeper.core.observation import Condition, Observation, SeriesKey
from watchkeeper.core.ports import WriteStore
from watchkeeper.core.records import Commit, Entry, JournalLine, Parcel, Seen
from watchkeeper.core.rules import Finding, Rules
from watchkeeper.errors import ProbeError, StoreFull
from watchkeeper.probes.base import Probe

log = logging.getLogger(__name__)

OWN_REFRESH = timedelta(hours=1)
"""How often a probe's own unchanged condition is stored again: it tells nothing new, so it costs one row an hour."""

AlertKey = tuple[SeriesKey, Concern]


class Post(Protocol):
    """What the pipeline needs of the outbox."""

    def parcels_for(self, message: Message, at: datetime) -> tuple[Parcel, ...]:
        """One parcel for each notifier that wants to hear of it."""
        ...

    def poke(self) -> None:
        """Say that new parcels have been committed."""
        ...


@dataclass(frozen=True, slots=True)
class Watched:
    """A probe under watch: its label, seconds from run to run, and the rules for its series."""

    label: str
    interval_s: float
    probe: Probe
    rules: Rules

    @property
    def own_key(self) -> SeriesKey:
        """The series that says whether the probe itself runs."""
        return SeriesKey(f"probe {self.label}", "runs")


@dataclass(slots=True)
class _Runs:
    """What is remembered of one probe's runs."""

    went_well_at: datetime
    stored: Condition | None = None
    stored_at: datetime | None = None

    def news(self, own: Condition, now: datetime) -> bool:
        """Is the probe's own condition worth a row?"""
        return own != self.stored or self.stored_at is None or now - self.stored_at >= OWN_REFRESH


@dataclass(slots=True)
class _Turn:
    """What one turn of the pipeline gathers before it is committed. Later alerts and findings replace earlier ones."""

    seen: list[Seen] = field(default_factory=list)
    findings: dict[AlertKey, Finding] = field(default_factory=dict)
    alerts: dict[AlertKey, Alert] = field(default_factory=dict)
    journal: list[JournalLine] = field(default_factory=list)
    parcels: list[Parcel] = field(default_factory=list)

    def commit(self) -> Commit:
        return Commit(
            tuple(self.seen),
            tuple(self.findings.values()),
            tuple(self.alerts.values()),
            tuple(self.journal),
            tuple(self.parcels),
        )

    def keep(self, kept: "_Turn") -> None:
        """Go before this turn with what an earlier one could not write."""
        self.alerts = {**kept.alerts, **self.alerts}
        self.journal[:0], self.parcels[:0] = kept.journal, kept.parcels


async def look(watched: Watched) -> tuple[Sequence[Observation], Condition]:
    """Run a probe once: what it saw, and its own condition. The one broad `except` around a probe is here."""
    try:
        return await watched.probe.observe(), Condition(watched.own_key, sound=True)
    except ProbeError as error:
        reason = str(error)
    except Exception as error:
        log.exception("probe %s failed", watched.label)
        reason = f"failed with {type(error).__name__}: {error}"
    return (), Condition(watched.own_key, sound=False, reason=reason)


class Pipeline:
    """Holds the judgement of every series and takes what probes bring down the one path."""

    def __init__(self, store: WriteStore, post: Post, clock: Clock, host: str, zone: tzinfo) -> None:
        """host: the watched host's name, as messages say it. zone: the keeper's, for the times in messages."""
        self._store, self._post, self._clock, self._host, self._zone = store, post, clock, host, zone
        self._runs: dict[str, _Runs] = {}
        self._owner: dict[SeriesKey, Watched] = {}
        self._unsound: dict[str, set[SeriesKey]] = {}
        self._written: dict[AlertKey, Alert] = {}
        self._kept = _Turn()
        self.judgements: dict[SeriesKey, Judgement] = {}
        self.reviewed_at: datetime | None = None

    @property
    def held_back(self) -> int:
        """How many records wait in memory because the store has no room."""
        return len(self._kept.journal) + len(self._kept.parcels) + len(self._kept.alerts)

    def troubled_probes(self) -> list[str]:
        """Each probe that does not run well, with the reason."""
        own = (self.judgements.get(SeriesKey(f"probe {label}", "runs")) for label in self._runs)
        seen = (judgement.latest for judgement in own if judgement is not None)
        return [f"{c.key.subject}: {c.reason}" for c in seen if isinstance(c, Condition) and not c.sound]

    async def restore(
        self,
        watched: Sequence[Watched],
        latest: Iterable[tuple[Seen, datetime]],
        findings: Iterable[Finding],
        standing: Sequence[Alert],
    ) -> None:
        """Go on from what the store holds. latest: each series' newest observation, and the instant of its first."""
        now = self._clock.now()
        self._runs = {w.label: _Runs(now) for w in watched}
        self._written = {(a.key, a.concern): a for a in standing}
        owners = {w.label: w for w in watched}
        since = {(f.key, f.concern): f.since for f in findings}
        for seen, first_at in latest:
            if owner := owners.get(seen.probe):
                judgement = self._judgement(owner, seen.observation)
                bad_since = since.get((judgement.key, next(iter(judgement.alerts))))
                judgement.resume(seen.observation, first_at, bad_since, now)
                self._note_soundness(seen.observation)
        await self._let_go([a for a in standing if a.standing and a.key not in self.judgements], now)

    async def run(self, watched: Watched) -> None:
        """Run a probe once and take what it says down the path."""
        observed, own = await look(watched)
        await self.take(watched, observed, own)

    async def take(self, watched: Watched, observed: Sequence[Observation], own: Condition) -> None:
        """Take one run's observations, and the probe's own condition, down the path."""
        now, turn = self._clock.now(), _Turn()
        runs = self._runs.setdefault(watched.label, _Runs(now))
        if own.sound:
            runs.went_well_at = now
        for each in (*observed, own):
            judgement = self._judgement(watched, each)
            judgement.take(each, now)
            self._note_soundness(each)
            if each is not own or runs.news(own, now):
                turn.seen.append(Seen(now, each, watched.label, watched.interval_s))
                turn.findings.update({(f.key, f.concern): f for f in self._judge(turn, judgement, now).findings})
        if runs.news(own, now):
            runs.stored, runs.stored_at = own, now
        await self._write(turn)

    async def review(self) -> None:
        """Judge everything once more: a sample that stays away and a delay that runs out are not events."""
        now, turn = self._clock.now(), _Turn()
        self.reviewed_at = now
        for judgement in self.judgements.values():
            outcome = self._judge(turn, judgement, now)
            if outcome.transitions:
                turn.findings.update({(f.key, f.concern): f for f in outcome.findings})
        if turn.alerts or self._kept.journal:
            await self._write(turn)

    async def note(self, entry: Entry, text: str, **details: str) -> None:
        """Write a line into the journal."""
        turn = _Turn()
        turn.journal.append(JournalLine(self._clock.now(), entry, text, details=details))
        await self._write(turn)

    def _judgement(self, watched: Watched, seen: Observation) -> Judgement:
        known = self.judgements.get(seen.key)
        self._owner[seen.key] = watched
        if known is None or known.kind is not seen.kind:
            standing = [a for a in self._written.values() if a.key == seen.key]
            known = Judgement(seen.key, seen.kind, watched.interval_s, watched.rules, standing)
            self.judgements[seen.key] = known
        return known

    def _judge(self, turn: _Turn, judgement: Judgement, now: datetime) -> Outcome:
        outcome = judgement.evaluate(now, self._probe_seen_at(judgement, now))
        for move in outcome.transitions:
            self._tell(turn, move, outcome.finding(move.after.concern), judgement.latest)
        for alert in judgement.alerts.values():
            if alert != self._written.get((alert.key, alert.concern), Alert(alert.key, alert.concern)):
                turn.alerts[alert.key, alert.concern] = alert
        return outcome

    def _probe_seen_at(self, judgement: Judgement, now: datetime) -> datetime:
        """Until when a series could have been seen: its probe's own series is measured by the clock, the others by it.

        While a condition of the same subject is unsound (a mount that hangs), that is told, and not for each of its
        other series too that no sample comes.
        """
        watched = self._owner[judgement.key]
        if judgement.key == watched.own_key:
            return now
        if self._unsound.get(judgement.key.subject) and judgement.last_at is not None:
            return judgement.last_at
        return self._runs[watched.label].went_well_at

    def _note_soundness(self, seen: Observation) -> None:
        if isinstance(seen, Condition):
            unsound = self._unsound.setdefault(seen.key.subject, set())
            (unsound.discard if seen.sound else unsound.add)(seen.key)

    async def _let_go(self, orphans: Iterable[Alert], now: datetime) -> None:
        """End the alerts of what is no longer watched, so that nothing told is left without an end."""
        turn = _Turn()
        for alert in orphans:
            ended, moves = alert_steps.step(alert, None, now, Delays())
            turn.alerts[alert.key, alert.concern] = ended
            found = Finding(alert.key, alert.concern, now, None, reason="no longer watched")
            for move in moves:
                self._tell(turn, move, found, None)
        if turn.alerts:
            await self._write(turn)

    def _tell(self, turn: _Turn, move: Transition, found: Finding, seen: Observation | None) -> None:
        """Put a transition into the journal and, where it has something to tell, into the outbox."""
        after, text = move.after, f"{move.after.key}: {move.event.value}"
        if move.telling is not None:
            message = compose(move, found, seen, self._host, self._zone)
            text = message.headline
            turn.parcels.extend(self._post.parcels_for(message, move.at))
        details = {"event": move.event.value, "state": after.state.value, "episode": str(after.episode)}
        if after.priority is not None:
            details["priority"] = after.priority.word
        turn.journal.append(JournalLine(move.at, Entry.TRANSITION, text, after.key, after.concern, details))

    async def _write(self, turn: _Turn) -> None:
        """Commit a turn, with what could not be written before it. Where there is no room, all but the samples is kept.

        Samples that could not be written are gone; the gap shows in the history. Transitions, journal and parcels are
        held in memory and go in with the next commit for which there is room.
        """
        kept, self._kept = self._kept, _Turn()
        turn.keep(kept)
        self._written.update(turn.alerts)
        commit = turn.commit()
        try:
            await self._store.commit(commit)
        except StoreFull as error:
            log.error("%s", error)  # noqa: TRY400  the text says it all; a traceback would only hide it
            turn.seen.clear()
            turn.findings.clear()
            self._kept.alerts = {**turn.alerts, **self._kept.alerts}
            self._kept.journal[:0], self._kept.parcels[:0] = turn.journal, turn.parcels
            return
        if commit.parcels:
            self._post.poke()
