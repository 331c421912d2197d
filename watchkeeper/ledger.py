"""Commits the turns of the pipeline, and keeps what cannot be written until it can.

While the database cannot be written, samples are lost, and nothing else: alerts and journal wait in memory, messages
are handed to the outbox to be delivered from there, and the keeper is told by an alert about the database itself.
When there is room again all of it goes in, with the gap marked in the journal. Not here: what is told (pipeline.py,
turn.py).
"""

import asyncio
import logging
from collections.abc import Iterable
from datetime import datetime

from watchkeeper.core.alerts import Alert, Concern
from watchkeeper.core.judgement import Judgement
from watchkeeper.core.observation import Condition, Kind
from watchkeeper.core.ports import WriteStore
from watchkeeper.core.records import Entry, JournalLine
from watchkeeper.core.rules import Rules
from watchkeeper.core.summaries import DATABASE
from watchkeeper.core.wording import duration
from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.turn import AlertKey, Post, Teller, Turn

log = logging.getLogger(__name__)


class Ledger:
    """Writes turns down, in their order where that matters."""

    def __init__(self, store: WriteStore, post: Post, teller: Teller) -> None:
        """post: delivers what the store has no room for."""
        self._store, self._post, self._teller = store, post, teller
        self._kept = Turn()
        self._writing = asyncio.Lock()
        self._failing_since: datetime | None = None
        self._database = Judgement(DATABASE, Kind.CONDITION, float("inf"), Rules())
        self.written: dict[AlertKey, Alert] = {}

    @property
    def held_back(self) -> int:
        """How many records wait in memory because the store cannot be written."""
        return len(self._kept.journal) + len(self._kept.alerts) + self._post.holding

    @property
    def trouble(self) -> str:
        """Why the database cannot be written; empty where it can."""
        seen = self._database.latest
        return seen.reason if self._failing_since is not None and isinstance(seen, Condition) else ""

    @property
    def own(self) -> dict[Concern, Alert]:
        """The alert about the database itself, by its concern; whoever moves it puts it back here."""
        return self._database.alerts

    def restore(self, standing: Iterable[Alert]) -> None:
        """Go on from the alerts as they are stored."""
        self.written = {(a.key, a.concern): a for a in standing}
        own = [a for a in self.written.values() if a.key == DATABASE]
        self._database = Judgement(DATABASE, Kind.CONDITION, float("inf"), Rules(), own)

    def changed(self, alert: Alert) -> bool:
        """Is an alert not as it was last written, or kept to be written?"""
        return alert != self.written.get((alert.key, alert.concern), Alert(alert.key, alert.concern))

    async def write(self, turn: Turn, now: datetime) -> None:
        """Commit a turn, with what could not be written before it; keep it where that does not work."""
        self.written.update(turn.alerts)
        if not turn.lasting and not self.held_back:
            await self._commit(turn, now)
            return
        # One after the other: a message that had to be kept must not be overtaken by the next of its alert.
        async with self._writing:
            if await self._commit(self._with_kept(turn), now) and (back := self._back(now)).lasting:
                await self._commit(back, now)

    def _with_kept(self, turn: Turn) -> Turn:
        """The turn behind what waits; of an alert only the newest state counts."""
        kept, self._kept = self._kept, Turn()
        turn.alerts = {key: self.written[key] for key in {**kept.alerts, **turn.alerts}}
        parcels, lines = self._post.take_back()
        turn.journal[:0] = [*kept.journal, *lines]
        turn.parcels[:0] = parcels
        return turn

    async def _commit(self, turn: Turn, now: datetime) -> bool:
        try:
            await self._store.commit(turn.commit())
        except StoreError as error:
            self._keep(turn, str(error), now)
            return False
        if turn.parcels:
            self._post.poke()
        return True

    def _keep(self, turn: Turn, reason: str, now: datetime) -> None:
        """Tell that it cannot be written, and keep all but the samples."""
        if self._failing_since is None:
            log.error("%s", reason, extra=about(Event.DATABASE, key=DATABASE))
            self._failing_since = now
        turn.seen.clear()
        self._judge(turn, Condition(DATABASE, sound=False, reason=reason, grave=True), now)
        turn.findings.clear()
        self._kept.alerts.update(turn.alerts)
        self._kept.journal[:0] = turn.journal
        self._post.hold(turn.parcels)

    def _back(self, now: datetime) -> Turn:
        """It can be written again: end the alert about that, and mark the gap. Empty where it could all the time."""
        turn, since, self._failing_since = Turn(), self._failing_since, None
        if self._database.alerts[Concern.UNSOUND].standing:
            self._judge(turn, Condition(DATABASE, sound=True), now)
        if since is not None:
            log.warning("the database can be written again", extra=about(Event.DATABASE, key=DATABASE))
            lasted = duration((now - since).total_seconds())
            text = (
                f"the database is written again; the samples of {lasted} are missing, since {since:%Y-%m-%d %H:%M} UTC"
            )
            turn.journal.append(JournalLine(now, Entry.NOTE, text, details={"missing since": since.isoformat()}))
        return turn

    def _judge(self, turn: Turn, seen: Condition, now: datetime) -> None:
        self._database.take(seen, now)
        outcome = self._database.evaluate(now)
        for move in outcome.transitions:
            self._teller.tell(turn, move, outcome.finding(move.after.concern), None)
        for finding in outcome.findings:
            turn.found(finding)
        for alert in filter(self.changed, self._database.alerts.values()):
            turn.stands(alert)
        self.written.update(turn.alerts)
