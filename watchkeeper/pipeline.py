"""The one path: observation -> store -> finding -> alert -> journal and outbox. Nothing else moves an alert.

A probe that fails is an observation too, of the probe itself, so that its failure goes down the same path as all else.
The alert, its journal line and its parcels are committed in one transaction with the samples that caused them.
"""

import asyncio
import contextlib
import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from functools import partial

from watchkeeper.clock import Clock
from watchkeeper.core import alert_steps
from watchkeeper.core.absence import is_gone
from watchkeeper.core.alerts import Alert, Concern, State, Transition
from watchkeeper.core.due import next_due
from watchkeeper.core.gaps import Clocks, Gap, between
from watchkeeper.core.growers import biggest
from watchkeeper.core.judgement import Judgement, Outcome
from watchkeeper.core.observation import Condition, Level, Observation, SeriesKey
from watchkeeper.core.ports import WriteStore
from watchkeeper.core.records import Entry, JournalLine, Seen
from watchkeeper.core.rules import Finding, Rules
from watchkeeper.core.summaries import DATABASE, OWN, Limits, named
from watchkeeper.core.ties import Ties
from watchkeeper.core.together import Together
from watchkeeper.core.unclaimed import UNWATCHED, Unclaimed
from watchkeeper.core.wording import amount, thing
from watchkeeper.errors import ProbeError
from watchkeeper.ledger import Ledger
from watchkeeper.logs.fields import Event, about
from watchkeeper.probes.base import Probe
from watchkeeper.reasons import Reasons
from watchkeeper.turn import TOLD_AWAY_S, Post, Teller, Turn

log = logging.getLogger(__name__)

OWN_REFRESH = timedelta(hours=1)
"""How often a probe's own unchanged condition is stored again: it tells nothing new, so it costs one row an hour."""


LOGGED = {Entry.START: Event.START, Entry.STOP: Event.STOP, Entry.CONFIGURATION: Event.RELOAD}
"""What is noted down in the journal and logged as well. Not the keeper's own words: they are nobody else's."""


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

    def bridge(self, gap: timedelta, now: datetime) -> None:
        """Leave a gap out of what is measured."""
        self.went_well_at = min(self.went_well_at + gap, now)
        self.stored_at = None if self.stored_at is None else min(self.stored_at + gap, now)

    def news(self, own: Condition, now: datetime) -> bool:
        """Is the probe's own condition worth a row?"""
        return own != self.stored or self.stored_at is None or now - self.stored_at >= OWN_REFRESH


class Absent:
    """The probe of a series that no probe of this configuration brings."""

    async def observe(self) -> Sequence[Observation]:
        """There is nothing to be seen."""
        return ()

    async def close(self) -> None:
        """Nothing is held."""


async def look(watched: Watched) -> tuple[Sequence[Observation], Condition]:
    """Run a probe once: what it saw, and its own condition. The one broad `except` around a probe is here."""
    try:
        return await watched.probe.observe(), Condition(watched.own_key, sound=True)
    except ProbeError as error:
        reason = str(error)
    except Exception as error:
        log.exception("probe %s failed", watched.label, extra=about(Event.PROBE_BROKE, probe=watched.label))
        reason = f"failed with {type(error).__name__}: {error}"
    return (), Condition(watched.own_key, sound=False, reason=reason)


class Pipeline:
    """Holds the judgement of every series and takes what probes bring down the one path."""

    def __init__(
        self, store: WriteStore, post: Post, clock: Clock, host: str, zone: tzinfo, together: Together | None = None
    ) -> None:
        """host: the watched host's name, as messages say it. zone: the keeper's, for the times in messages.

        together: which alerts are told together; None: with no ties but those that names say.
        """
        self._clock = clock
        self._together = together or Together(Ties())
        self._teller = Teller(post, host, zone, self._together.resting_on)
        self._ledger = Ledger(store, post, self._teller)
        self._runs: dict[str, _Runs] = {}
        self._owner: dict[SeriesKey, Watched] = {}
        self._unsound: dict[str, set[SeriesKey]] = {}
        self._unclaimed = Unclaimed()
        self._clocks: Clocks | None = None
        self._due: dict[SeriesKey, datetime] = {}
        self._sooner = asyncio.Event()
        self._reasons = Reasons.wanted()
        self.judgements: dict[SeriesKey, Judgement] = {}
        self.reviewed_at: datetime | None = None
        self.recording = True
        """Are samples recorded? Not while the clock is not to be believed: they would have no place in time."""
        self.breaks = 0
        """How often the clock was set or the watch was away, in this life: the schedule then counts anew."""

    @property
    def held_back(self) -> int:
        """How many records wait in memory because the store cannot be written."""
        return self._ledger.held_back

    @property
    def database_trouble(self) -> str:
        """Why the database cannot be written; empty where it can."""
        return self._ledger.trouble

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
        last_alive: datetime | None = None,
    ) -> None:
        """Go on from what the store holds. latest: each series' newest observation, and the instant of its first.

        last_alive: when the last life ended, as far as is known: what is longer ago than a restart takes is a gap.
        """
        now, turn = self._clock.now(), Turn()
        gap = _away(last_alive, now)
        self._runs = {w.label: _Runs(now) for w in watched}
        self._ledger.restore(standing)
        self._together.restore(standing, now)
        owners = {w.label: w for w in watched}
        findings = list(findings)
        since = {(f.key, f.concern): f.since for f in findings}
        gone = {f.key: f.reason for f in findings if is_gone(f)}
        unsettled = {a.key for a in standing if a.state is not State.NORMAL or a.owed}
        for seen, first_at in latest:
            key, owner = seen.observation.key, owners.get(seen.probe)
            for_good = key in gone and (owner is None or gone[key] != UNWATCHED)
            if not for_good or key in unsettled:
                judgement = self._judgement(owner or _nobody(seen), seen.observation)
                bad_since = since.get((judgement.key, next(iter(judgement.alerts))))
                judgement.resume(seen.observation, first_at, bad_since, now)
                judgement.gone = for_good and owner is not None
                if owner is not None:
                    self._remember(owner, seen.observation, now)
        unclaimed = [key for key, each in self._owner.items() if each.label not in owners]
        self._unclaimed.begin(unclaimed, owners, owners, now)
        if gap is not None:
            self._bridge(gap, turn, Entry.START, "The host had no power or was off, or the daemon was stopped.")
        orphans = [a for a in standing if a.key not in self.judgements and a.key not in OWN]
        self._let_go(turn, orphans, now)
        if turn.lasting:
            await self._ledger.write(turn, now)

    def change(self, watched: Sequence[Watched], rests_on: Mapping[str, Sequence[str]], limits: Limits) -> None:
        """Another configuration holds from now on. What was known of a series stays; alerts move with the next look."""
        now, by_label = self._clock.now(), {w.label: w for w in watched}
        new = by_label.keys() - self._runs.keys()
        self._runs = {label: self._runs.get(label) or _Runs(now) for label in by_label}
        self._together.change(rests_on, limits)
        left = set(self._unclaimed.keys)
        for key, judgement in self.judgements.items():
            if key in left:
                continue
            if (owner := by_label.get(self._owner[key].label)) is not None:
                self._owner[key] = owner
                judgement.interval_s, judgement.rules = owner.interval_s, owner.rules
            else:
                left.add(key)
                self._unsound.get(key.subject, set()).discard(key)
                self._due.pop(key, None)
        self._unclaimed.begin(left, new, by_label, now)

    async def run(self, watched: Watched) -> None:
        """Run a probe once and take what it says down the path."""
        observed, own = await look(watched)
        await self.take(watched, observed, own)

    async def take(self, watched: Watched, observed: Sequence[Observation], own: Condition) -> None:
        """Take one run's observations, and the probe's own condition, down the path."""
        turn = Turn()
        now = self._look_at_clocks(turn)
        self._unclaimed.looked(watched.label)
        runs = self._runs.setdefault(watched.label, _Runs(now))
        if own.sound:
            runs.went_well_at = now
        for each in (*observed, own):
            judgement = self._judgement(watched, each)
            judgement.take(each, now)
            self._remember(watched, each, now)
        for each in (*observed, own):
            if each is not own or runs.news(own, now):
                if self.recording:
                    turn.seen.append(Seen(now, each, watched.label, watched.interval_s))
                for finding in self._judge(turn, self.judgements[each.key], now).findings:
                    turn.found(finding)
        if runs.news(own, now):
            runs.stored, runs.stored_at = own, now
        self._settle(turn, now)
        await self._ledger.write(turn, now)

    async def review(self) -> None:
        """Judge everything once more: a sample that stays away and a delay that runs out are not events."""
        self.reviewed_at = self._clock.now()
        await self._drop_unclaimed()
        await self._review(tuple(self.judgements.values()))

    async def review_in_time(self, within_s: float) -> None:
        """For so many seconds, judge each series at the moment at which a delay of it runs out; then everything."""
        end_s = self._clock.monotonic_s() + within_s
        while (left_s := end_s - self._clock.monotonic_s()) > 0:
            now = self._clock.now()
            if due := [key for key, at in self._due.items() if at <= now]:
                for key in due:
                    del self._due[key]
                await self._review([self.judgements[key] for key in due if key in self.judgements])
                continue
            self._sooner.clear()
            next_s = min(((at - now).total_seconds() for at in self._due.values()), default=left_s)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(min(next_s, left_s)):
                    await self._sooner.wait()
        await self.review()

    async def _review(self, judgements: Iterable[Judgement]) -> None:
        turn = Turn()
        now = self._look_at_clocks(turn)
        for judgement in judgements:
            if judgement.key in self._unclaimed.keys:
                continue
            outcome = self._judge(turn, judgement, now)
            if outcome.transitions:
                for finding in outcome.findings:
                    turn.found(finding)
            if judgement.gone:
                self._forget(judgement)
        self._settle(turn, now)
        if turn.lasting or self.held_back:
            await self._ledger.write(turn, now)

    async def note(self, entry: Entry, text: str, key: SeriesKey | None = None, **details: str) -> None:
        """Write a line into the journal, about a series where one is given."""
        turn, now = Turn(), self._clock.now()
        if entry in LOGGED:
            log.info("%s", text, extra=about(LOGGED[entry], key=key))
        turn.journal.append(JournalLine(now, entry, text, key, details=details))
        await self._ledger.write(turn, now)

    async def acknowledge(self, key: SeriesKey, concern: Concern) -> bool:
        """The keeper knows of an alert; False where there was nothing to acknowledge."""
        return await self._by_keeper(key, concern, alert_steps.acknowledge)

    async def shelve(
        self, key: SeriesKey, concern: Concern, until: datetime | None = None, *, once: bool = False
    ) -> bool:
        """The keeper sets an alert aside, as alert_steps.shelve says; False where there is no such alert."""
        return await self._by_keeper(key, concern, partial(alert_steps.shelve, until=until, once=once))

    async def unshelve(self, key: SeriesKey, concern: Concern) -> bool:
        """The keeper takes a shelving back; False where there was none."""
        return await self._by_keeper(key, concern, alert_steps.unshelve)

    async def _by_keeper(
        self, key: SeriesKey, concern: Concern, act: Callable[[Alert, datetime], Transition | None]
    ) -> bool:
        turn = Turn()
        now = self._look_at_clocks(turn)
        alert = self._alert(key, concern)
        move = None if alert is None else act(alert, now)
        if move is not None:
            self._put(move.after)
            self._teller.tell(turn, move, Finding(key, concern, now, move.after.priority), None)
            turn.stands(move.after)
        if turn.lasting:
            await self._ledger.write(turn, now)
        return move is not None

    def _alert(self, key: SeriesKey, concern: Concern) -> Alert | None:
        if key == DATABASE:
            return self._ledger.own.get(concern)
        if key in OWN:
            return self._together.own(key)
        judgement = self.judgements.get(key)
        return None if judgement is None else judgement.alerts.get(concern)

    def _put(self, alert: Alert) -> None:
        """Replace an alert by the same one, moved."""
        if alert.key == DATABASE:
            self._ledger.own[alert.concern] = alert
            return
        if alert.key not in OWN:
            self.judgements[alert.key].alerts[alert.concern] = alert
        self._together.note(alert)

    def _judgement(self, watched: Watched, seen: Observation) -> Judgement:
        known = self.judgements.get(seen.key)
        self._owner[seen.key] = watched
        if self._unclaimed.claimed(seen.key) and known is not None:
            known.interval_s, known.rules = watched.interval_s, watched.rules
        if known is None or known.kind is not seen.kind:
            standing = [a for a in self._ledger.written.values() if a.key == seen.key]
            known = Judgement(
                seen.key, seen.kind, watched.interval_s, watched.rules, standing, step=self._together.step
            )
            self.judgements[seen.key] = known
        return known

    def _judge(self, turn: Turn, judgement: Judgement, now: datetime) -> Outcome:
        outcome = judgement.evaluate(now, self._probe_seen_at(judgement))
        for move in outcome.transitions:
            found = outcome.finding(move.after.concern)
            seen = None if judgement.gone else self._with_growers(judgement.latest, found)
            self._teller.tell(turn, move, found, seen)
        for alert in filter(self._ledger.changed, judgement.alerts.values()):
            turn.stands(alert)
        self._look_ahead(judgement, now)
        if self._reasons is not None:
            for found in outcome.findings:
                seen = None if judgement.gone else judgement.latest
                self._reasons.note(found, seen, judgement.rules, judgement.alerts[found.concern])
        return outcome

    def _look_ahead(self, judgement: Judgement, now: datetime) -> None:
        """Remember when time alone may next change something about it."""
        at = next_due(judgement, now)
        if at is None:
            self._due.pop(judgement.key, None)
        elif self._due.get(judgement.key) != at:
            self._due[judgement.key] = at
            self._sooner.set()

    def _with_growers(self, seen: Observation | None, found: Finding) -> Observation | None:
        """A level that fills, with what grew most of its parts since the trend began among its facts."""
        since_s = None if found.forecast is None or found.priority is None else found.forecast.since_s
        if not isinstance(seen, Level) or since_s is None:
            return seen
        parts = ((j, j.latest) for j in self.judgements.values() if isinstance(j.latest, Level))
        own = [(j.key, j.history) for j, part in parts if part.part_of == seen.key and part.unit is seen.unit]
        grown = [f"{thing(each.key)} {amount(each.growth, seen.unit)} more" for each in biggest(own, since_s)]
        return replace(seen, facts=(("grew most", "; ".join(grown)), *seen.facts)) if grown else seen

    def _settle(self, turn: Turn, now: datetime) -> None:
        """Move the alerts that stand for several others, and what they have told of."""
        for finding, alert, moves in self._together.settle(now):
            for move in moves:
                self._teller.tell(turn, move, finding, None)
            if self._ledger.changed(alert):
                turn.stands(alert)
            if moves:
                turn.found(finding)
            if self._reasons is not None:
                self._reasons.note(finding, None, Rules(), alert)
        for move in self._together.summed_up(now):
            self._put(move.after)
            self._teller.tell(turn, move, Finding(move.after.key, move.after.concern, now, move.after.priority), None)
            turn.stands(move.after)

    def _forget(self, judgement: Judgement) -> None:
        """What is gone for good explains nothing; once its alerts are over it is not judged any more."""
        key = judgement.key
        self._unsound.get(key.subject, set()).discard(key)
        self._together.forget(key)
        if judgement.over:
            self._drop(key)

    def _drop(self, key: SeriesKey) -> None:
        del self.judgements[key], self._owner[key]
        self._due.pop(key, None)
        if self._reasons is not None:
            self._reasons.forget(key)

    async def _drop_unclaimed(self) -> None:
        """Let go what no probe of this configuration brings."""
        now, turn = self._clock.now(), Turn()
        left = sorted(self._unclaimed.settled(now))
        for key in left:
            alerts = self.judgements[key].alerts
            for concern in alerts:
                turn.found(Finding(key, concern, now, None, reason=UNWATCHED))
            self._let_go(turn, alerts.values(), now)
            self._together.forget(key)
            self._drop(key)
        if left:
            text = f"{UNWATCHED}: {named(map(str, left))}"
            turn.journal.append(JournalLine(now, Entry.CONFIGURATION, text))
            self._settle(turn, now)
            await self._ledger.write(turn, now)

    def _explained(self, judgement: Judgement) -> bool:
        """Does another condition of the same subject say what is wrong, and does its probe still bring that one?"""
        others = (self.judgements[key] for key in self._unsound.get(judgement.key.subject, ()) if key != judgement.key)
        return any(not each.missed(self._runs[self._owner[each.key].label].went_well_at) for each in others)

    def _probe_seen_at(self, judgement: Judgement) -> datetime | None:
        """Until when a series could have been seen: its probe's own series is measured by the clock (None), the others
        by it.

        While a condition of the same subject is unsound (a mount that hangs), that is told, and not for each of its
        other series too that no sample comes.
        """
        watched = self._owner[judgement.key]
        if judgement.key == watched.own_key:
            return None
        if judgement.last_at is not None and self._explained(judgement):
            return judgement.last_at
        return self._runs[watched.label].went_well_at

    def _remember(self, watched: Watched, seen: Observation, now: datetime) -> None:
        self._together.see(seen, watched.label, now)
        if isinstance(seen, Condition):
            unsound = self._unsound.setdefault(seen.key.subject, set())
            (unsound.discard if seen.sound else unsound.add)(seen.key)

    def _let_go(self, turn: Turn, orphans: Iterable[Alert], now: datetime) -> None:
        """End the alerts of what is no longer watched, so that nothing told is left without an end."""
        for alert in orphans:
            if alert.state is State.NORMAL and not alert.owed:
                continue
            ended, moves = alert_steps.dropped(alert, now)
            turn.stands(ended)
            self._together.note(ended)
            found = Finding(alert.key, alert.concern, now, None, reason=UNWATCHED)
            for move in moves:
                self._teller.tell(turn, move, found, None)

    def _look_at_clocks(self, turn: Turn) -> datetime:
        """The time; what has happened to it, or to the watch, since the last look goes into the turn."""
        clock = self._clock
        before, self._clocks = self._clocks, Clocks(clock.now(), clock.monotonic_s(), clock.boottime_s())
        gap = None if before is None else between(before, self._clocks)
        if gap is not None:
            why = "The host was suspended." if gap.slept else "The daemon was stopped, or the machine held up."
            text = "away for %.0f s; the clock was set by %+.0f s"
            log.warning(text, gap.away_s, gap.set_by_s, extra=about(Event.GAP))
            self._bridge(gap, turn, Entry.NOTE, why)
        return self._clocks.wall

    def _bridge(self, gap: Gap, turn: Turn, entry: Entry, why: str) -> None:
        """Go on after a gap, without taking it for silence."""
        now, length = gap.until, gap.length
        self.breaks += 1
        self.reviewed_at = self.reviewed_at and now
        for judgement in self.judgements.values():
            judgement.bridge(length, now, anew=gap.looks_anew)
        self._together.bridge(length, now)
        for runs in self._runs.values():
            runs.bridge(length, now)
        self._teller.gap(turn, gap, entry, why)


def _nobody(seen: Seen) -> Watched:
    """Stands for a probe that is no longer in the configuration; it is never run."""
    return Watched(seen.probe, seen.interval_s, Absent(), Rules())


def _away(last_alive: datetime | None, now: datetime) -> Gap | None:
    """The gap before this life; None where there was none, or it was a restart."""
    away_s = (now - last_alive).total_seconds() if last_alive is not None else 0.0
    return None if last_alive is None or away_s < TOLD_AWAY_S else Gap(last_alive, now, away_s)
