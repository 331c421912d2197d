"""Units of work are committed, or kept until they can be; the outbox is woken, and the log says what happened."""

import asyncio
import logging
from dataclasses import replace
from datetime import UTC

import pytest

from tests.support.house import MINUTE, START, Desk, House, Shelf, watched
from tests.support.waiting import until
from watchkeeper.alerting.alert_book import AlertBook
from watchkeeper.alerting.correlation.group_alerts import DATABASE
from watchkeeper.errors import StoreFull
from watchkeeper.messages.build import noted
from watchkeeper.model.alert import Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, SeriesKey
from watchkeeper.model.operator.decision import Decision
from watchkeeper.model.records import Commit, Delivery, Entry, EventLine, Seen
from watchkeeper.runtime.unit_of_work import Notifications, UnitOfWork
from watchkeeper.runtime.write_buffer import WriteBuffer

HUB = SeriesKey("service hide-hub", "answer")
SEEN = Seen(START, Answer(HUB, answered=True), "hide-hub", 60.0)
LINE = EventLine(START, Entry.NOTE, "swept the hide")


class Rig:
    """A buffer with everything that it writes to."""

    def __init__(self, store: Shelf | None = None, gather_s: float = 0.0) -> None:
        self.store, self.desk, self.book = store or Shelf(), Desk(), AlertBook()
        notifications = Notifications(self.desk, "gannet", UTC)
        self.buffer = WriteBuffer(self.store, self.desk, notifications, self.book, gather_s)

    def delivery(self, text: str) -> Delivery:
        """A message for the one notifier."""
        (made,) = self.desk.deliveries_for(noted("gannet", START, UTC, text, text, ""), START)
        return made


async def test_the_outbox_is_woken_for_units_with_messages_and_for_no_others() -> None:
    """If it is never woken, a message waits until the next one; if always, every sample costs a read of the store."""
    rig = Rig()
    await rig.buffer.write(UnitOfWork(seen=[SEEN]), START)
    await rig.buffer.write(UnitOfWork(events=[LINE]), START)
    assert rig.desk.pokes == 0
    await rig.buffer.write(UnitOfWork(deliveries=[rig.delivery("away")]), START)
    assert rig.desk.pokes == 1


async def test_alerts_that_changed_are_in_the_unit_that_is_written() -> None:
    """The code that changed them need not say so."""
    rig = Rig()
    alert = Alert(HUB, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1)
    rig.book.put(alert)
    await rig.buffer.write(UnitOfWork(seen=[SEEN]), START)
    assert rig.store.commits == [Commit((SEEN,), alerts=(alert,))]
    await rig.buffer.write(UnitOfWork(), START)
    assert rig.store.commits[-1] == Commit()


def sample(minute: int) -> tuple[Seen, Finding]:
    """One sample with its finding."""
    at = START + minute * MINUTE
    return replace(SEEN, at=at), Finding(HUB, Concern.NOT_ANSWERING, at, None)


def unit(minute: int) -> UnitOfWork:
    """A unit of work that changes no alert."""
    seen, found = sample(minute)
    made = UnitOfWork(seen=[seen])
    made.found([found])
    return made


async def test_samples_wait_for_others_and_share_a_commit() -> None:
    """In their order, with the newest finding, and without a second commit when nothing more has come."""
    rig = Rig(gather_s=0.05)
    for minute in range(3):
        await rig.buffer.write(unit(minute), START + minute * MINUTE)
    assert rig.store.commits == []
    await asyncio.to_thread(until, "the commit", lambda: rig.store.commits)
    await asyncio.sleep(0.1)
    assert rig.store.commits == [Commit(tuple(sample(n)[0] for n in range(3)), (sample(2)[1],))]
    await rig.buffer.write(unit(3), START + 3 * MINUTE)
    await asyncio.to_thread(until, "the second commit", lambda: len(rig.store.commits) == 2)


async def test_what_changes_an_alert_does_not_wait_and_takes_samples_along() -> None:
    """The order of what happened stays, and a message is never later because of the samples."""
    rig = Rig(gather_s=3600.0)
    await rig.buffer.write(unit(0), START)
    later = unit(1)
    later.events.append(LINE)
    await rig.buffer.write(later, START + MINUTE)
    assert rig.store.commits == [Commit((sample(0)[0], sample(1)[0]), (sample(1)[1],), events=(LINE,))]
    await rig.buffer.flush()
    assert len(rig.store.commits) == 1


async def test_a_flush_writes_what_waits_at_once() -> None:
    """For somebody who looks now; nothing is left for the timer."""
    rig = Rig(gather_s=0.05)
    await rig.buffer.flush()
    assert rig.store.commits == []
    await rig.buffer.write(unit(0), START)
    await rig.buffer.flush()
    assert len(rig.store.commits) == 1
    await asyncio.sleep(0.1)
    assert len(rig.store.commits) == 1


async def test_a_decision_waits_with_its_sample() -> None:
    """Also one that comes alone, from a review."""
    rig, decision = Rig(gather_s=3600.0), Decision(HUB, Concern.NOT_ANSWERING, START, ("no answer",))
    await rig.buffer.write(UnitOfWork(decisions=[decision]), START)
    await rig.buffer.flush()
    assert rig.store.commits == [Commit(decisions=(decision,))]


async def test_samples_that_waited_for_a_full_database_are_reported_as_lost() -> None:
    """The trouble is found when they are written; from then on nothing waits until it is over."""
    rig = Rig(gather_s=3600.0)
    rig.store.fill()
    await rig.buffer.write(unit(0), START)
    assert rig.buffer.trouble == ""
    await rig.buffer.flush()
    assert "free some space" in rig.buffer.trouble
    rig.store.free()
    await rig.buffer.write(unit(1), START + MINUTE)
    assert rig.store.commits[0].seen == (sample(1)[0],)
    assert [line.details.get("missing since") for line in rig.store.events][-1] == START.isoformat()


async def test_trouble_is_logged_once_and_its_end_too(caplog: pytest.LogCaptureFixture) -> None:
    """One line when it begins, with the reason, and one when it is over; none between."""
    rig = Rig()
    rig.store.fill()
    for minute in range(3):
        await rig.buffer.write(UnitOfWork(seen=[SEEN]), START + minute * MINUTE)
    lines = [r for r in caplog.records if r.name == "watchkeeper.runtime.write_buffer"]
    assert [(r.levelno, r.getMessage()) for r in lines] == [(logging.ERROR, rig.buffer.trouble)]
    assert "free some space" in rig.buffer.trouble
    rig.store.free()
    await rig.buffer.write(UnitOfWork(seen=[SEEN]), START + 3 * MINUTE)
    lines = [r for r in caplog.records if r.name == "watchkeeper.runtime.write_buffer"]
    assert [(r.levelno, r.getMessage()) for r in lines[1:]] == [(logging.WARNING, "the database can be written again")]
    assert [line.details.get("missing since") for line in rig.store.events][-1] == START.isoformat()
    assert rig.buffer.trouble == ""


async def test_what_is_kept_is_counted_and_goes_in_before_what_is_new() -> None:
    """Event log, alerts and messages in their order; of an alert only its newest state; samples are lost."""
    rig = Rig()
    rig.store.fill()
    alert = Alert(HUB, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1)
    rig.book.put(alert)
    await rig.buffer.write(UnitOfWork(seen=[SEEN], events=[LINE], deliveries=[rig.delivery("first")]), START)
    # The note, the alert, the line and the alert about the database, and a message for each.
    assert rig.buffer.held_back == 2 + 2 + 2
    rig.store.free()
    ended = Alert(HUB, Concern.NOT_ANSWERING, State.NORMAL, None, 1)
    rig.book.put(ended)
    later = EventLine(START + MINUTE, Entry.NOTE, "and again")
    await rig.buffer.write(UnitOfWork(events=[later], deliveries=[rig.delivery("second")]), START + MINUTE)
    first, back = rig.store.commits
    assert first.seen == ()
    assert [line.text for line in first.events] == [LINE.text, f"{first.deliveries[1].message.headline}", later.text]
    assert [p.message.headline for p in (first.deliveries[0], first.deliveries[2])] == ["first", "second"]
    assert {a.key: a for a in first.alerts}[HUB] == ended
    assert [p.message.key for p in back.deliveries] == [DATABASE]
    assert rig.buffer.held_back == 0
    assert rig.desk.pokes == 2


async def test_a_review_of_findings_is_not_stored_with_what_was_kept() -> None:
    """Findings are stored with their samples; an old one must not replace a newer one later."""
    house = House()
    house.store.fill()
    await house.run(watched([Condition(SeriesKey("pool skerry", "health"), ok=False, reason="failed")]))
    house.store.free()
    await house.pipeline.note(Entry.NOTE, "room")
    assert {f.key for f in house.store.findings.values()} == {DATABASE}


class Gated(Shelf):
    """A store in which the first commit waits, and then finds no space."""

    def __init__(self) -> None:
        super().__init__()
        self.gate, self.first = asyncio.Event(), True

    async def commit(self, commit: Commit, *, with_kept: bool = False) -> None:
        if self.first:
            self.first = False
            await self.gate.wait()
            raise StoreFull("no room")
        await super().commit(commit, with_kept=with_kept)


async def test_a_message_that_had_to_be_kept_is_not_overtaken() -> None:
    """Two at once: the second waits for the outcome of the first."""
    store = Gated()
    rig = Rig(store)
    both = [
        asyncio.create_task(rig.buffer.write(UnitOfWork(deliveries=[rig.delivery(text)]), START))
        for text in ("first", "second")
    ]
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert store.commits == []
    store.gate.set()
    async with asyncio.timeout(10):
        await asyncio.gather(*both)
    told = [p.message.headline for p in store.deliveries if p.message.key != DATABASE]
    assert told == ["first", "second"]


async def test_nothing_leaves_before_it_is_kept() -> None:
    """A message goes to the outbox's memory only when it is in the reserve, with its alert and everything before it."""
    rig = Rig()
    rig.store.fill()
    alert = Alert(HUB, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1, 1)
    for n, text in enumerate(("down", "up")):
        rig.book.put(replace(alert, message_count=n + 1))
        await rig.buffer.write(UnitOfWork(deliveries=[rig.delivery(text)], events=[LINE]), START)
    kept = rig.store.aside[-1]
    assert replace(alert, message_count=2) in kept.alerts
    assert kept.events.count(LINE) == 2
    assert [each.message.id for each in kept.deliveries] == [each.message.id for each in rig.desk.held]
    rig.store.free()
    await rig.buffer.write(UnitOfWork(), START)
    assert rig.store.aside[-1] == Commit()


async def test_without_a_reserve_an_id_is_given_by_no_other_run() -> None:
    """Two runs that tell the same number of a thread from memory alone use different ids; each keeps its own."""
    ids = []
    for _ in range(2):
        rig = Rig()
        rig.store.has_reserve = False
        rig.store.fill()
        delivery = rig.delivery("down")
        await rig.buffer.write(UnitOfWork(deliveries=[delivery]), START)
        first = [each.message.id for each in rig.desk.held if each.message.thread == delivery.message.thread]
        await rig.buffer.write(UnitOfWork(events=[LINE]), START)
        again = [each.message.id for each in rig.desk.held if each.message.thread == delivery.message.thread]
        assert first == again
        assert first[0].startswith(f"{delivery.message.id}-")
        ids += first
    assert len(set(ids)) == 2


async def test_what_an_earlier_run_kept_is_written_first() -> None:
    """Its alerts, lines and messages are in the first commit, before what is new."""
    rig = Rig()
    alert = Alert(HUB, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1, 1)
    earlier, new = rig.delivery("earlier"), rig.delivery("new")
    rig.buffer.resume(Commit(alerts=(alert,), events=(LINE,), deliveries=(earlier,)))
    assert rig.buffer.held_back == 3
    await rig.buffer.write(UnitOfWork(deliveries=[new]), START)
    assert rig.store.commits[0] == Commit(alerts=(alert,), events=(LINE,), deliveries=(earlier, new))
    assert rig.buffer.held_back == 0


async def test_a_later_unit_does_not_change_an_earlier_one() -> None:
    """An alert is written with the messages about it: its next state comes with the next unit."""
    store = Gated()
    rig = Rig(store)
    alert = Alert(HUB, Concern.NOT_ANSWERING, State.ACTIVE, Priority.WARNING, 1, 1)
    rig.book.put(alert)
    first = asyncio.create_task(rig.buffer.write(UnitOfWork(deliveries=[rig.delivery("down")]), START))
    await asyncio.sleep(0)
    rig.book.put(replace(alert, message_count=2))
    second = asyncio.create_task(rig.buffer.write(UnitOfWork(deliveries=[rig.delivery("up")]), START))
    await asyncio.sleep(0)
    store.gate.set()
    await asyncio.gather(first, second)
    assert alert in store.aside[0].alerts
    assert [a.message_count for a in store.commits[0].alerts if a.key == HUB] == [2]


async def test_its_own_alert_ends_after_a_restart() -> None:
    """The run before ended while the database could not be written; nothing new happens, and it ends all the same."""
    rig = Rig()
    alert = Alert(DATABASE, Concern.FAULTY, State.ACTIVE, Priority.ALARM, 1, 1, START, notified_priority=Priority.ALARM)
    rig.book.restore([alert])
    assert rig.buffer.must_write
    await rig.buffer.write(UnitOfWork(), START + MINUTE)
    assert not rig.book.get(DATABASE, Concern.FAULTY).standing
    assert not rig.buffer.must_write


async def test_several_lots_that_are_kept_lose_nothing() -> None:
    """Every line of the event log of each lot is written when there is space again."""
    rig = Rig()
    rig.store.fill()
    for minute in range(4):
        line = EventLine(START + minute * MINUTE, Entry.NOTE, f"note {minute}")
        await rig.buffer.write(UnitOfWork(events=[line]), START + minute * MINUTE)
    rig.store.free()
    await rig.buffer.flush()
    await rig.buffer.write(UnitOfWork(seen=[SEEN]), START + 4 * MINUTE)
    notes = [line.text for line in rig.store.events if line.entry is Entry.NOTE and line.text.startswith("note ")]
    assert notes == [f"note {minute}" for minute in range(4)]


async def test_nothing_waits_unless_it_is_told_to() -> None:
    """Whoever makes a buffer without a time to gather has each sample stored at once."""
    store, desk = Shelf(), Desk()
    buffer = WriteBuffer(store, desk, Notifications(desk, "gannet", UTC), AlertBook())
    await buffer.write(unit(0), START)
    assert len(store.commits) == 1
