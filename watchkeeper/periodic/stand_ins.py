"""Begins and ends of stand-ins: an event each, and a message to the notifier of the one who stands in.

Which have begun and ended follows from the event log, so that neither a restart nor a changed configuration leaves one
out or repeats it. Not here: which other messages are sent there (messages/delivery/routing.py).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Protocol

from watchkeeper.messages import wording
from watchkeeper.messages.delivery.stand_in import KEY, StandIn, first_message, last_message
from watchkeeper.messages.reports.report import Report
from watchkeeper.model.alert import Alert
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.records import Entry, EventLine, Seen

READ = 200
"""Event log lines that are read back: two for each stand-in, so those of years."""

BEGAN, ENDED = "began", "ended"
"""Details of its event log lines: the id of the stand-in is the value."""

SheetNow = Callable[[Sequence[Seen], datetime], Report]
"""The sheet of the house, of what is seen now."""


class StandInStore(Protocol):
    """The interface that stand-ins need of the store."""

    async def events(self, *, key: SeriesKey | None = None, limit: int = 100) -> Sequence[EventLine]:
        """Event log lines, newest first."""
        ...

    async def alerts(self) -> Sequence[Alert]:
        """All alerts."""
        ...

    async def latest(self) -> Sequence[Seen]:
        """The newest observation of each series."""
        ...


@dataclass(frozen=True, slots=True)
class Due:
    """What a round found: lines of the event log, and messages, each for one notifier."""

    events: tuple[EventLine, ...] = ()
    messages: tuple[tuple[str, Message], ...] = ()


class StandIns:
    """Those of one configuration."""

    def __init__(
        self, store: StandInStore, configured: Sequence[StandIn], sheet: SheetNow, named: tuple[str, tzinfo]
    ) -> None:
        """named: the host's name, the operator's time zone."""
        self._store, self._configured, self._sheet = store, configured, sheet
        self._host, self._zone = named
        self._idle = False

    async def due(self, now: datetime) -> Due:
        """What has begun or ended since the last round. Raises StoreError."""
        if self._idle:
            return Due()
        known = await self._recorded()
        ends = [id_ for id_, (_, over) in known.items() if not over and not self._is_under_way(id_, now)]
        begins = [each for each in self._configured if each.covers(now) and (each.id not in known or known[each.id][1])]
        if not ends and not begins:
            self._idle = not self._configured
            return Due()
        return await self._found(begins, {id_: known[id_][0] for id_ in ends}, now)

    async def _found(self, begins: Sequence[StandIn], ends: dict[str, str], now: datetime) -> Due:
        alerts = await self._store.alerts()
        sheet = self._sheet(await self._store.latest(), now)
        events = [self._line(each.id, BEGAN, each.notifier, now, self._begins(each, now)) for each in begins]
        messages = [(each.notifier, first_message(each, sheet, alerts, self._host, self._zone, now)) for each in begins]
        for id_, notifier in ends.items():
            events.append(self._line(id_, ENDED, notifier, now, f"{wording.clean(notifier, 60)} no longer stands in"))
            messages.append((notifier, last_message(id_, alerts, self._host, self._zone, now)))
        return Due(tuple(events), tuple(messages))

    def _begins(self, each: StandIn, now: datetime) -> str:
        until = wording.instant(each.end_at, self._zone, now)
        return f"{wording.clean(each.notifier, 60)} stands in until {until}, for {each.at_least.word} and above"

    @staticmethod
    def _line(id_: str, what: str, notifier: str, now: datetime, text: str) -> EventLine:
        return EventLine(now, Entry.NOTE, text, KEY, details={what: id_, "notifier": notifier})

    def _is_under_way(self, id_: str, now: datetime) -> bool:
        return any(each.id == id_ and each.covers(now) for each in self._configured)

    async def _recorded(self) -> dict[str, tuple[str, bool]]:
        """The stand-ins of the event log: by id, the notifier, and whether it is over."""
        found: dict[str, tuple[str, bool]] = {}
        for each in reversed(await self._store.events(key=KEY, limit=READ)):
            for what in (BEGAN, ENDED):
                if what in each.details:
                    found[each.details[what]] = each.details.get("notifier", ""), what == ENDED
        return found
