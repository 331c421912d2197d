"""Quiet hours in the outbox: what waits for the morning, what does not, and what is no longer true by then."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tests.notifiers.outbox.test_outbox import deferred, running, settled, until
from tests.support.messages import messages
from tests.support.outbox import MemoryOutboxStore, ScriptedNotifier, SetClock
from watchkeeper.errors import StoreError
from watchkeeper.messages.ack_links import AckLinks
from watchkeeper.messages.build import thread_of
from watchkeeper.messages.delivery.quiet_hours import parse_span
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.model.alert import Alert, Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.decision import RouteChoice
from watchkeeper.model.records import DeliveryState
from watchkeeper.notifiers.outbox import outbox as module
from watchkeeper.notifiers.outbox.outbox import Outbox

ZONE = ZoneInfo("Europe/Berlin")
EVENING = datetime(2026, 11, 24, 22, 0, tzinfo=UTC)
MORNING = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
ROUTE = Route(quiet=(parse_span("22:00-07:00"),), zone=ZONE)


class Night:
    """One receiver who sleeps, an outbox, and a clock that jumps from one event to the next."""

    def __init__(self, at: datetime = EVENING, route: Route = ROUTE) -> None:
        self.store, self.clock, self.post = MemoryOutboxStore(), SetClock(at), ScriptedNotifier()
        self.told: list[tuple[str, datetime]] = []
        self.outbox = Outbox(
            self.store,
            [self.post],
            self.clock,
            routes={"post": route},
            zone=ZONE,
            rest=self._rest,
            drawn=lambda: 0.5,
        )

    async def _rest(self, wake: asyncio.Event, seconds: float) -> None:
        """Jump a quarter of an hour at most, as the outbox wakes at least once a minute."""
        if any(self.waiting):
            self.clock.advance(min(seconds, 900))
            await asyncio.sleep(0)
        else:
            await wake.wait()

    @property
    def waiting(self) -> list[bool]:
        return [each.state is DeliveryState.WAITING for each in self.store.deliveries.values()]

    def happens(self, message: Message) -> None:
        """A message is committed now."""
        self.store.add(self.outbox.deliveries_for(replace(message, at=self.clock.now()), self.clock.now()))
        self.outbox.poke()

    async def passes(self, written: int) -> list[tuple[str, datetime | None]]:
        """Deliver until `written` results are recorded; returns what was sent in the end, and when."""
        async with running(self.outbox):
            await settled(self.store, written)
        return [(each.message.id, each.done_at) for each in self.store.deliveries.values()]


def caution(number: int = 1, telling: NotificationKind = NotificationKind.RAISED) -> Message:
    """The pool will be full in a month."""
    message = replace(messages()[0], priority=Priority.CAUTION, before=None, kind=telling, number=number)
    return replace(message, id=f"{message.thread}-{number}")


async def test_a_caution_waits_for_the_morning() -> None:
    """It is sent at seven by the operator's own clock, once, and unchanged: nothing newer exists."""
    night = Night()
    night.happens(caution())
    assert night.store.deliveries[1].due_at == MORNING
    ((told, at),) = await night.passes(1)
    assert told == caution().id
    assert at is not None
    assert MORNING <= at < MORNING + timedelta(minutes=15)


async def test_what_each_route_decides_is_told() -> None:
    """Refused with the reason, held until the morning, or sent at once: `explain` shows it."""
    (refused,) = Night(route=replace(ROUTE, at_least=Priority.ALARM)).outbox.choices(caution(), EVENING)
    assert refused.notifier == "post"
    assert "at_least" in refused.refusal
    night = Night()
    assert night.outbox.choices(caution(), EVENING) == (RouteChoice("post", held_until=MORNING),)
    assert night.outbox.choices(messages()[1], EVENING) == (RouteChoice("post"),)


async def test_the_night_of_the_long_hour() -> None:
    """On 25 October 2026 the clocks are set back: seven in the morning is an hour later."""
    night = Night(datetime(2026, 10, 24, 20, 30, tzinfo=UTC))
    night.happens(caution())
    assert night.store.deliveries[1].due_at == datetime(2026, 10, 25, 6, 0, tzinfo=UTC)


async def test_an_alarm_never_waits_and_takes_its_thread_along() -> None:
    """The caution that was held is sent before it, worded as a past state, and both go at once."""
    night = Night()
    night.happens(caution())
    night.clock.advance(3_600)
    now = night.clock.now()
    alarm = replace(messages()[1], number=2, id=f"{caution().thread}-2")
    night.happens(alarm)
    assert await night.passes(3) == [(f"{caution().id}-late", now), (alarm.id, now)]
    first = night.store.deliveries[1].message
    assert first.late
    assert first.headline.startswith("late, state of Tue 24 Nov 23:00: pool skerry full in")
    assert first.body.startswith(
        "Sent late, on Wed 25 Nov 00:00: this is the state of Tue 24 Nov 23:00,\nwhich could not be sent"
    )
    assert alarm.headline in " ".join(first.body.split())
    assert messages()[0].body in first.body


async def test_an_alarm_is_not_held_by_a_caution_that_fails() -> None:
    """A receiver that is down in the evening: when it is back at night, the alarm behind the caution goes through."""
    night = Night()
    night.happens(caution())
    night.post.script = [deferred() for _ in range(8)]
    alarm = replace(messages()[1], number=2, id=f"{caution().thread}-2")
    night.happens(alarm)
    told = await night.passes(10)
    assert all(at is not None and at < EVENING + timedelta(hours=1) for _, at in told)
    assert night.post.got[-1] == alarm.id


async def test_a_try_that_fails_in_the_evening_is_not_made_again_at_night() -> None:
    """A caution that could not be sent before ten waits for the morning too."""
    night = Night(EVENING - timedelta(hours=1, minutes=20))
    night.post.script = [deferred(3_600)]
    night.happens(caution())
    ((_, at),) = await night.passes(2)
    assert at is not None
    assert MORNING <= at < MORNING + timedelta(minutes=15)


async def test_what_began_and_ended_in_the_night_is_told_as_what_it_was() -> None:
    """In the morning both are sent in order: the past state with its time, and that it is over."""
    night = Night()
    night.happens(caution())
    night.clock.advance(3 * 3_600)
    ended = replace(messages()[3], number=2, id=f"{caution().thread}-2", before=Priority.CAUTION)
    night.happens(ended)
    told = await night.passes(3)
    assert [each for each, _ in told] == [f"{caution().id}-late", ended.id]
    assert night.post.got == [f"{caution().id}-late", ended.id]


async def test_each_try_of_a_late_message_is_the_same() -> None:
    """Its text is stored as it will be sent before it is tried; a later one of the thread does not change it."""
    night = Night()
    night.happens(caution())
    night.happens(caution(2, NotificationKind.REMINDED))
    night.post.script = [deferred()]
    async with running(night.outbox):
        await settled(night.store, 2)
        first = night.store.deliveries[1].message
        night.happens(caution(3, NotificationKind.REMINDED))
        await settled(night.store, 5)
    assert night.store.deliveries[1].message == first
    assert night.post.tried[:2] == [first.id, first.id]


async def test_one_that_cannot_be_written_down_is_told_as_it_is() -> None:
    """If the store has no space, it is better to send a message in its original wording than not at all."""
    night = Night(MORNING)
    night.happens(caution())
    night.clock.advance(3_600)
    night.happens(replace(messages()[1], number=2, id=f"{caution().thread}-2"))
    night.store.failing = StoreError("no room")
    async with running(night.outbox):
        await until(lambda: len(night.post.got) == 2)
    assert night.post.got[0] == caution().id


async def test_a_clock_that_was_set_back_holds_nothing_without_an_end() -> None:
    """By the monotonic clock a message waits at most for the longest quiet hours and a day."""
    night = Night()
    night.happens(caution())
    lane = night.outbox._active.queues[0]
    delivery = await night.store.next_delivery("post")
    assert delivery is not None
    night.outbox._wait_s(lane, delivery)
    night.clock.wall -= timedelta(days=400)
    night.clock.steady_s += module.LONGEST_HELD_S
    assert night.outbox._wait_s(lane, delivery) <= 0


@pytest.mark.parametrize("name", ["post", "other"])
def test_a_digest_goes_to_whom_it_is_for(name: str) -> None:
    """By name, and at once: the receiver chose its time."""
    night = Night()
    digest = replace(caution(), kind=NotificationKind.DIGEST, priority=None)
    assert night.outbox.deliveries_for(digest, MORNING) == ()
    assert [each.notifier for each in night.outbox.digest_deliveries(digest, {name}, MORNING)] == ["post"] * (
        name == "post"
    )


def test_messages_have_their_links_before_they_are_stored() -> None:
    """What is stored is what is sent: the link is in the delivery, the same for every notifier."""
    passes = AckLinks(b"k" * 32, "https://watch.example.org")
    posts = [ScriptedNotifier(name="mail"), ScriptedNotifier(name="phone")]
    outbox = Outbox(MemoryOutboxStore(), posts, SetClock(), passes=passes)
    first, second = outbox.deliveries_for(messages()[0], MORNING)
    assert first.message == second.message == passes.given(messages()[0])
    assert first.message.link


async def test_an_alarm_waits_for_no_caution_while_nothing_can_be_written() -> None:
    """A full disk in the night: a caution that is held, in the store or in memory, delays no alarm of its thread."""
    alarm = replace(messages()[1], number=2, id=f"{caution().thread}-2")
    stored = Night()
    stored.happens(caution())
    stored.outbox.hold(stored.outbox.deliveries_for(alarm, EVENING))
    async with running(stored.outbox):
        await until(lambda: stored.post.got != [])
    assert stored.post.got[0] == alarm.id
    both = Night()
    both.outbox.hold(both.outbox.deliveries_for(caution(), EVENING))
    both.outbox.hold(both.outbox.deliveries_for(alarm, EVENING))
    async with running(both.outbox):
        await until(lambda: len(both.post.got) == 2)
    assert both.post.got == [caution().id, alarm.id]


SUMMED_UP = replace(ROUTE, quiet_summary=True)


def of_thread(name: str, priority: Priority | None) -> Message:
    """The first message of a thread of its own."""
    before = None if priority else Priority.WARNING
    return replace(caution(), id=f"{name}-1", thread=name, priority=priority, before=before, headline=f"{name}!")


def standing(name: str) -> Alert:
    """An active alert of that name."""
    return Alert(SeriesKey(name, "space"), Concern.FULL, State.ACTIVE, episode=1, raised_at=EVENING)


def of_alert(name: str, priority: Priority | None) -> Message:
    """The first message of the thread of that alert."""
    thread = thread_of(standing(name), caution().host)
    return replace(of_thread(name, priority), id=f"{name}-1", thread=thread)


async def test_what_was_held_comes_in_one_message() -> None:
    """Most urgent first; each held message is done with it, and the event log says so."""
    night = Night(route=replace(SUMMED_UP, quiet_for=Priority.WARNING))
    for name, priority in (("tide-log", Priority.CAUTION), ("skerry", Priority.WARNING), ("hub", None)):
        night.happens(of_alert(name, priority))
    night.store.standing = [standing("tide-log"), standing("skerry")]
    await night.passes(4)
    (sent,) = night.post.got
    (one,) = [each for each in night.store.deliveries.values() if each.message.id == sent]
    assert one.message.headline == "quiet hours are over: 2 active, 1 ended; skerry!"
    assert set(night.store.states()) == {DeliveryState.DELIVERED}
    assert [each.text for each in night.store.events[:3]] == [
        f"put into one message after quiet hours by post: {name}!" for name in ("tide-log", "skerry", "hub")
    ]


async def test_a_single_one_comes_as_it_is() -> None:
    """Nothing is put together with itself."""
    night = Night(route=SUMMED_UP)
    night.happens(of_alert("tide-log", Priority.CAUTION))
    night.store.standing = [standing("tide-log")]
    await night.passes(1)
    assert night.post.got == ["tide-log-1"]


async def test_a_single_one_that_is_no_longer_true_is_not_sent_as_it_is() -> None:
    """Its alert has ended, and no message says so: the summary does."""
    night = Night(route=SUMMED_UP)
    night.happens(of_alert("tide-log", Priority.CAUTION))
    await night.passes(2)
    (sent,) = [each.message for each in night.store.deliveries.values() if each.message.id in night.post.got]
    assert sent.headline == "quiet hours are over: 1 ended; tide-log!"


async def test_a_digest_is_sent_as_it_is() -> None:
    """It is a summary itself, and is put into no other one."""
    night = Night(route=SUMMED_UP)
    digest = replace(of_thread("digest", None), kind=NotificationKind.DIGEST)
    night.store.add(night.outbox.digest_deliveries(digest, ["post"], EVENING))
    for name in ("skerry", "tide-log"):
        night.happens(of_alert(name, Priority.CAUTION))
    night.store.standing = [standing("tide-log"), standing("skerry")]
    await night.passes(4)
    assert "digest-1" in night.post.got
    assert len(night.post.got) == 2


async def test_an_alarm_in_the_night_puts_nothing_together() -> None:
    """It takes its own thread along, and leaves the others for the morning."""
    night = Night(route=SUMMED_UP)
    for each in (caution(), caution(2), of_thread("tide-log", Priority.CAUTION), of_thread("hub", Priority.CAUTION)):
        night.happens(each)
    night.happens(replace(messages()[1], number=3, id=f"{caution().thread}-3"))
    await night.passes(6)
    assert night.post.got[2] == f"{caution().thread}-3"
    assert len(night.post.got) == 4


async def test_what_cannot_be_put_together_is_sent_as_it_is() -> None:
    """Where the store takes nothing, each goes alone."""
    night = Night(route=SUMMED_UP)
    night.store.standing = [standing("tide-log"), standing("hub")]

    async def full(*_: object) -> None:
        raise StoreError("no space")

    night.store.put_together = full  # type: ignore[method-assign, assignment]
    for name in ("tide-log", "hub"):
        night.happens(of_thread(name, Priority.CAUTION))
    await night.passes(2)
    assert night.post.got == ["tide-log-1", "hub-1"]
