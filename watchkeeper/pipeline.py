"""The one path: observation -> store -> finding -> alert -> journal and outbox. Nothing else moves an alert.

A probe that fails is an observation too, of the probe itself, so that its failure goes down the same path as all else.
The alert, its journal line and its parcels are committed in one transaction with the samples that caused them.
"""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, tzinfo
from functools import partial

from watchkeeper.attendance import Attendance
from watchkeeper.clock import Clock
from watchkeeper.core import alert_steps
from watchkeeper.core.absence import is_gone
from watchkeeper.core.alerts import Alert, Concern, State, Transition
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
from watchkeeper.ledger import Ledger
from watchkeeper.logs.fields import Event, about
from watchkeeper.reasons import Reasons
from watchkeeper.turn import TOLD_AWAY_S, Post, Teller, Turn
from watchkeeper.waking import Waking
from watchkeeper.watched import Runs, Watched, look, nobody

log = logging.getLogger(__name__)

LOGGED = {Entry.START: Event.START, Entry.STOP: Event.STOP, Entry.CONFIGURATION: Event.RELOAD}
"""What is noted down in the journal and logged as well. Not the keeper's own words: they are nobody else's."""


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
        self._attendance = Attendance()
        self._unclaimed = Unclaimed()
        self._clocks: Clocks | None = None
        self._waking = Waking()
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
        own = (self.judgements.get(SeriesKey(f"probe {label}", "runs")) for label in self._attendance.runs)
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
        self._attendance.expect((w.label for w in watched), now)
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
                judgement = self._judgement(owner or nobody(seen), seen.observation)
                bad_since = since.get((judgement.key, next(iter(judgement.alerts))))
                judgement.resume(seen.observation, first_at, bad_since, now)
                judgement.gone = for_good and owner is not None
                if owner is not None:
                    self._remember(owner, seen.observation, now)
        unclaimed = [key for key, each in self._attendance.owner.items() if each.label not in owners]
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
        new = by_label.keys() - self._attendance.runs.keys()
        self._attendance.expect(by_label, now)
        self._together.change(rests_on, limits)
        left = set(self._unclaimed.keys)
        for key, judgement in self.judgements.items():
            if key in left:
                continue
            if (owner := by_label.get(self._attendance.owner[key].label)) is not None:
                self._attendance.owner[key] = owner
                judgement.interval_s, judgement.rules = owner.interval_s, owner.rules
            else:
                left.add(key)
                self._attendance.gone(key)
                self._waking.forget(key)
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
        runs = self._attendance.runs.setdefault(watched.label, Runs(now))
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
            if due := self._waking.take_due(now):
                await self._review([self.judgements[key] for key in due if key in self.judgements])
            else:
                await self._waking.sleep(now, left_s)
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
        self._attendance.owner[seen.key] = watched
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
        outcome = judgement.evaluate(now, self._attendance.seen_at(judgement, self.judgements))
        for move in outcome.transitions:
            found = outcome.finding(move.after.concern)
            seen = None if judgement.gone else self._with_growers(judgement.latest, found)
            self._teller.tell(turn, move, found, seen)
        for alert in filter(self._ledger.changed, judgement.alerts.values()):
            turn.stands(alert)
        self._waking.plan(judgement, now)
        if self._reasons is not None:
            for found in outcome.findings:
                seen = None if judgement.gone else judgement.latest
                self._reasons.note(found, seen, judgement.rules, judgement.alerts[found.concern])
        return outcome

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
        self._attendance.gone(key)
        self._together.forget(key)
        if judgement.over:
            self._drop(key)

    def _drop(self, key: SeriesKey) -> None:
        del self.judgements[key], self._attendance.owner[key]
        self._waking.forget(key)
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

    def _remember(self, watched: Watched, seen: Observation, now: datetime) -> None:
        self._together.see(seen, watched.label, now)
        self._attendance.see(seen)

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
        self._attendance.bridge(length, now)
        self._teller.gap(turn, gap, entry, why)


def _away(last_alive: datetime | None, now: datetime) -> Gap | None:
    """The gap before this life; None where there was none, or it was a restart."""
    away_s = (now - last_alive).total_seconds() if last_alive is not None else 0.0
    return None if last_alive is None or away_s < TOLD_AWAY_S else Gap(last_alive, now, away_s)
