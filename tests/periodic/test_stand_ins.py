"""Begins and ends of stand-ins on the real store: once each, through restarts and changed configurations."""

from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.support.messages import HOST, NOW, ZONE, episode
from tests.support.outbox import ScriptedNotifier, SetClock
from watchkeeper.errors import StoreFull
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.delivery.stand_in import KEY, StandIn
from watchkeeper.messages.reminders import Reminders
from watchkeeper.messages.reports.report import Report, section
from watchkeeper.model.records import Commit
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.periodic.messages import PeriodicMessages
from watchkeeper.periodic.stand_ins import StandIns
from watchkeeper.store.store import Store

HOUR = timedelta(hours=1)
AWAY = StandIn("neighbour", NOW + HOUR, NOW + 3 * HOUR, note="the key is in the kitchen")
SHEET = Report("Sheet of gannet", "what there is", (), (section("Whom to call", ["the warden: 100"], "none"),))


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    """An empty store."""
    found = await Store.open(tmp_path / "watchkeeper.db")
    yield found
    await found.close()


class House:
    """A store, two notifiers, and the rounds of one life after the other."""

    def __init__(self, store: Store, stand_ins: Sequence[StandIn]) -> None:
        self.store, self.clock = store, SetClock(NOW)
        self.configure(stand_ins)
        self.rounds.begin(NOW)

    def configure(self, stand_ins: Sequence[StandIn]) -> None:
        """A start with this configuration."""
        routes = {
            "mail": Route(zone=ZONE),
            "neighbour": Route(zone=ZONE, stand_ins=tuple(stand_ins), stand_in_only=True),
        }
        posts = [ScriptedNotifier(name=name) for name in routes]
        self.outbox = Outbox(self.store, posts, self.clock, routes=routes, zone=ZONE)
        begins = StandIns(self.store, stand_ins, lambda _seen, _now: SHEET, (HOST, ZONE))
        self.rounds = PeriodicMessages(
            self.store, self.outbox, self.clock, Reminders(), routes, (HOST, ZONE), stand_ins=begins
        )
        self.rounds.begin(self.clock.now())

    async def hours(self, count: float) -> tuple[list[str], list[tuple[str, str]]]:
        """Rounds of so long: what the event log and the outbox got meanwhile."""
        old = {each.id for each in await self.store.events(key=KEY)}
        sent = {each.id for each in await self.store.deliveries()}
        for _ in range(round(count * 6)):
            self.clock.advance(600)
            await self.rounds.make()
        lines = [each.text for each in reversed(await self.store.events(key=KEY)) if each.id not in old]
        new = sorted((each for each in await self.store.deliveries() if each.id not in sent), key=lambda each: each.id)
        return lines, [(each.notifier, each.message.headline) for each in new]


BEGIN = ["neighbour stands in until Tue 24 Nov 13:12, for warning and above"]
HELLO = [("neighbour", "you stand in for gannet until Tue 24 Nov 13:12")]
END, BYE = ["neighbour no longer stands in"], [("neighbour", "your stand-in for gannet is over")]


async def test_a_begin_and_an_end(store: Store) -> None:
    """Each is an event, and a message to that notifier alone, with what is active and the sheet."""
    house = House(store, [AWAY])
    told = episode()[0]
    await store.commit(Commit(findings=(told.found,), alerts=(replace(told.move.after),)))
    assert await house.hours(0.9) == ([], [])
    assert await house.hours(0.5) == (BEGIN, HELLO)
    (first,) = await store.deliveries()
    for said in (
        "Note: the key is in the kitchen",
        "Active now:\n  ",
        "pool skerry",
        "Whom to call:\n  the warden: 100",
    ):
        assert said in first.message.body
    assert await house.hours(1.5) == ([], [])
    assert await house.hours(3) == (END, BYE)


async def test_a_restart_repeats_nothing_and_leaves_nothing_out(store: Store) -> None:
    """Neither while it lasts, nor where it begins or ends while the daemon does not run."""
    house = House(store, [AWAY])
    house.clock.advance(3_600)
    house.configure([AWAY])
    assert await house.hours(0.2) == (BEGIN, HELLO)
    house.configure([AWAY])
    assert await house.hours(0.5) == ([], [])
    house.clock.advance(86_400)
    house.configure([AWAY])
    assert await house.hours(0.2) == (END, BYE)
    house.configure([AWAY])
    assert await house.hours(0.2) == ([], [])


async def test_a_changed_configuration(store: Store) -> None:
    """A later end continues it, a removed one ends, and one that began in the past begins now."""
    house = House(store, [])
    assert await house.hours(1.5) == ([], [])
    house.configure([AWAY])
    assert await house.hours(0.5) == (BEGIN, HELLO)
    house.configure([replace(AWAY, end_at=NOW + 9 * HOUR)])
    assert await house.hours(3) == ([], [])
    house.configure([])
    assert await house.hours(1) == (END, BYE)
    house.configure([replace(AWAY, end_at=NOW + 9 * HOUR)])
    assert (await house.hours(0.5))[0] == ["neighbour stands in until Tue 24 Nov 19:12, for warning and above"]
    assert (await house.hours(9))[0] == END


async def test_what_cannot_be_written_is_written_in_the_next_round(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full file system loses no begin."""
    house = House(store, [AWAY])

    async def full(_: Commit) -> None:
        raise StoreFull("the database has no room")

    with monkeypatch.context() as patched:
        patched.setattr(store, "commit", full)
        assert await house.hours(1.5) == ([], [])
    assert await house.hours(0.2) == (BEGIN, HELLO)
