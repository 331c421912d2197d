"""The rounds on the real store: reminders and digests, through restarts and a clock that is set."""

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.support.messages import HOST, NOW, Told, episode
from tests.support.outbox import ScriptedNotifier, SetClock
from watchkeeper.errors import StoreFull
from watchkeeper.messages.delivery.quiet_hours import parse_due, parse_span
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.reminders import Reminders
from watchkeeper.model.alert import NotificationKind, Priority, State
from watchkeeper.model.observation import Answer, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.notifiers.outbox.outbox import Outbox
from watchkeeper.periodic.messages import PeriodicMessages
from watchkeeper.store.store import Store

ZONE = ZoneInfo("Europe/Berlin")
PLAN = Reminders({Priority.WARNING: 3_600.0})
ROUTES = {
    "mail": Route(zone=ZONE, digest=parse_due("07:30")),
    "phone": Route(Priority.ALARM, zone=ZONE),
    "panel": Route(zone=ZONE, digest=parse_due("Mon 07:30")),
}


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    """An empty store."""
    found = await Store.open(tmp_path / "watchkeeper.db")
    yield found
    await found.close()


class House:
    """A store with one alert, and the rounds of one life after the other."""

    def __init__(self, store: Store) -> None:
        self.store, self.clock = store, SetClock(NOW)
        self.outbox = Outbox(
            store, [ScriptedNotifier(name=name) for name in ROUTES], self.clock, routes=ROUTES, zone=ZONE
        )
        self.periodic_messages = self.begin(NOW)

    def begin(self, last_commit_at: datetime | None) -> PeriodicMessages:
        self.periodic_messages = PeriodicMessages(self.store, self.outbox, self.clock, PLAN, ROUTES, (HOST, ZONE))
        self.periodic_messages.begin(last_commit_at)
        return self.periodic_messages

    async def raised(self, **changes: object) -> Told:
        """skerry, a warning, as the pipeline would commit it."""
        told = episode()[0]
        alert = replace(told.move.after, **changes)  # type: ignore[arg-type]
        seen = (Seen(NOW, told.seen, "pools", 60.0),) if told.seen else ()
        await self.store.commit(Commit(seen=seen, findings=(told.found,), alerts=(alert,)))
        return told

    async def told(self, hours: float, every_min: float = 1) -> list[tuple[str, NotificationKind, datetime]]:
        """Make rounds for so many hours; what was put into the outbox meanwhile."""
        before = {each.id for each in await self.store.deliveries(limit=1_000)}
        for _ in range(int(hours * 60 / every_min)):
            self.clock.advance(every_min * 60)
            await self.periodic_messages.make()
        new = [each for each in await self.store.deliveries(limit=1_000) if each.id not in before]
        return [(each.notifier, each.message.kind, each.made_at) for each in sorted(new, key=lambda p: p.id)]


async def test_reminders_and_digests(store: Store) -> None:
    """A day: reminders after 1, 3, 7 and 15 hours and a digest in the morning to whom wants it."""
    house = House(store)
    await house.raised()
    told = await house.told(22)
    reminded = [
        (name, (at - NOW) / timedelta(hours=1)) for name, telling, at in told if telling is NotificationKind.REMINDED
    ]
    assert reminded == [(name, hours) for hours in (1, 3, 7, 15) for name in ("mail", "panel")]
    assert [(name, at) for name, telling, at in told if telling is NotificationKind.DIGEST] == [
        ("mail", datetime(2026, 11, 25, 6, 30, tzinfo=UTC))
    ]


async def test_reminders_do_not_gather_in_the_night(store: Store) -> None:
    """Raised at 21:12, due at 22:12, 00:12 and 04:12: one is told at seven, and no other with it."""
    house = House(store)
    night = Route(zone=ZONE, quiet=(parse_span("22:00-07:00"),), quiet_for=Priority.WARNING)
    house.outbox = Outbox(store, [ScriptedNotifier(name="mail")], house.clock, routes={"mail": night}, zone=ZONE)
    house.clock.wall = NOW + timedelta(hours=11)
    house.periodic_messages = PeriodicMessages(store, house.outbox, house.clock, PLAN, {"mail": night}, (HOST, ZONE))
    house.periodic_messages.begin(house.clock.now())
    await house.raised(changed_at=house.clock.now())
    await house.told(10, every_min=5)
    (held,) = await store.deliveries()
    assert "-again-1-" in held.message.id
    assert held.due_at == datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
    await house.told(6, every_min=5)
    assert [each.message.id.split("-")[-2] for each in await store.deliveries()] == ["4", "1"]


async def test_a_weekly_digest(store: Store) -> None:
    """On Monday both have theirs, in one message."""
    house = House(store)
    told = await house.told(6 * 24, every_min=30)
    assert [name for name, _, at in told if at.astimezone(ZONE).weekday() == 0] == ["mail", "panel"]
    assert [name for name, *_ in told] == ["mail"] * 5 + ["mail", "panel"]


async def test_a_restart_tells_nothing_twice_and_forgets_nothing(store: Store) -> None:
    """A life that ends after a reminder, and one that begins after the next was due: each is told once."""
    house = House(store)
    await house.raised()
    assert len(await house.told(2)) == 2
    house.clock.advance(7_200)
    house.begin(NOW + timedelta(hours=2))
    assert len(await house.told(0.1)) == 2
    house.begin(house.clock.now())
    assert await house.told(0.1) == []


async def test_three_days_away(store: Store) -> None:
    """After a gap one digest and one reminder are told, and not those of every day."""
    house = House(store)
    await house.raised()
    house.clock.advance(3 * 86_400)
    house.begin(NOW)
    told = await house.told(0.05)
    assert [telling for name, telling, _ in told if name == "mail"] == [
        NotificationKind.REMINDED,
        NotificationKind.DIGEST,
    ]


async def test_a_first_start_tells_nothing_of_before(store: Store) -> None:
    """With an empty database there is no last sign of life, and nothing is due."""
    house = House(store)
    house.begin(None)
    assert await house.told(0.05) == []


async def test_a_clock_that_is_set(store: Store) -> None:
    """An hour back tells nothing twice; a year back does not silence the rounds for a year."""
    house = House(store)
    await house.raised()
    assert len(await house.told(1.5)) == 2
    house.clock.wall -= timedelta(hours=1)
    assert await house.told(1) == []
    house.clock.wall += timedelta(days=400)
    assert len(await house.told(0.05)) == 4
    house.clock.wall -= timedelta(days=400)
    assert len(await house.told(2.6)) == 2


async def test_what_is_acknowledged_is_told_no_more(store: Store) -> None:
    """The operator has said that they know."""
    house = House(store)
    await house.raised(state=State.ACKNOWLEDGED)
    assert await house.told(3, every_min=10) == []


async def test_an_alert_whose_finding_is_not_known_is_left_out(store: Store) -> None:
    """There is nothing to say of it."""
    house = House(store)
    await house.raised(key=SeriesKey("pool reef", "space"))
    assert await house.told(3, every_min=10) == []


async def test_what_cannot_be_written_is_told_in_the_next_round(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A full file system loses no reminder."""
    house = House(store)
    await house.raised()

    async def full(_: Commit) -> None:
        raise StoreFull("the database has no room")

    with monkeypatch.context() as patched:
        patched.setattr(store, "commit", full)
        assert await house.told(1.2) == []
    assert "reminders and digests cannot be written yet: the database has no room" in caplog.text
    assert len(await house.told(0.1)) == 2


async def test_the_first_digest_of_a_month_reports_the_month_before(store: Store) -> None:
    """For each receiver its own first one; with every service, and from the first measurement on."""
    house = House(store)
    begin = datetime(2026, 11, 29, 23, 0, tzinfo=UTC)  # Mon 30 Nov 00:00 in Berlin
    hub = SeriesKey("service hide-hub", "answer")
    await store.commit(
        Commit(
            seen=tuple(
                Seen(at, Answer(hub, answered=not 5 <= n < 12, took_s=None if 5 <= n < 12 else 0.1), "hub", 60.0)
                for n in range(24 * 60 + 30)
                for at in [begin + timedelta(minutes=n)]
            )
        )
    )
    house.clock.advance((datetime(2026, 12, 1, 6, 0, tzinfo=UTC) - NOW).total_seconds())
    house.begin(house.clock.now())
    await house.told(7 * 24, every_min=30)
    told = [
        (each.notifier, each.message.at.astimezone(ZONE).day, each.message.body)
        for each in sorted(await store.deliveries(limit=1_000), key=lambda p: p.id)
    ]
    reports = [(name, day) for name, day, body in told if "Availability in" in body]
    assert reports == [("mail", 1), ("panel", 7)]
    body = next(body for _, _, body in told if "Availability in" in body)
    assert "Availability in November 2026:\n  service hide-hub: no answer for 7 min, 1 outage; answered 99.51 %" in body


async def test_the_report_of_a_month_is_sent_on_the_first(store: Store) -> None:
    """At the time asked for in the operator's zone, once, also over a restart; its digest has no part of it."""
    house = House(store)
    route = Route(zone=ZONE, digest=parse_due("07:30"), monthly_report=parse_due("08:00"))
    house.outbox = Outbox(store, [ScriptedNotifier(name="mail")], house.clock, routes={"mail": route}, zone=ZONE)

    def begin() -> None:
        before = house.clock.now()
        house.periodic_messages = PeriodicMessages(
            store, house.outbox, house.clock, PLAN, {"mail": route}, (HOST, ZONE)
        )
        house.periodic_messages.begin(before)

    # The last day of October is the Saturday after the one of 25 hours.
    house.clock.advance((datetime(2026, 10, 31, 22, 50, tzinfo=UTC) - NOW).total_seconds())
    hub = SeriesKey("service hide-hub", "answer")
    await store.commit(Commit(seen=(Seen(house.clock.now(), Answer(hub, answered=True, took_s=0.1), "hub", 60.0),)))
    begin()
    await house.told(7.5, every_min=10)
    begin()
    await house.told(40 * 24, every_min=40)
    sent = sorted(await store.deliveries(limit=1_000), key=lambda each: each.made_at)
    reports = [each for each in sent if each.message.headline.startswith("report for ")]
    assert [(each.message.headline[:20], f"{each.made_at.astimezone(ZONE):%d %b %H:%M}") for each in reports] == [
        ("report for October 2", "01 Nov 08:00"), ("report for November ", "01 Dec 08:00"),
    ]  # fmt: skip
    assert "This report covers less than a day, from Sat 31 Oct 23:50" in reports[0].message.body
    assert not any("Availability in" in each.message.body for each in sent)


async def test_without_a_service_there_is_no_report(store: Store) -> None:
    """Nor before anything was measured in the month before."""
    house = House(store)
    await house.raised()
    house.clock.advance((datetime(2026, 12, 1, 6, 0, tzinfo=UTC) - NOW).total_seconds())
    house.begin(house.clock.now())
    await house.told(2, every_min=30)
    assert all("Availability" not in each.message.body for each in await store.deliveries(limit=1_000))
