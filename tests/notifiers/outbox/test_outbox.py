"""The outbox: at least once, in order within a thread, whatever fails."""

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import replace
from datetime import UTC, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.messages import NOW, messages, silence
from tests.support.outbox import MemoryOutboxStore, ScriptedNotifier, SetClock
from watchkeeper.errors import DeliveryDeferred, DeliveryRefused, StoreDamaged, StoreError, StoreFull
from watchkeeper.model.alert import Priority
from watchkeeper.model.message import Message
from watchkeeper.model.records import Delivery, DeliveryState, Entry
from watchkeeper.notifiers.outbox.outbox import IDLE_S, MEND_S, Outbox
from watchkeeper.notifiers.outbox.retry_policy import RetryPolicy, rest


def deferred(wish_s: float | None = None) -> DeliveryDeferred:
    """A failure that may pass."""
    return DeliveryDeferred("post: the server did not answer in time", retry_after_s=wish_s)


def outbox_on(
    store: MemoryOutboxStore,
    notifiers: Sequence[ScriptedNotifier],
    clock: SetClock,
    patience: RetryPolicy | None = None,
) -> Outbox:
    """An outbox whose rests take no time and whose jitter is half of its maximum."""
    return Outbox(store, notifiers, clock, patience=patience or RetryPolicy(), rest=clock.rest, drawn=lambda: 0.5)


@contextlib.asynccontextmanager
async def running(outbox: Outbox, grace_s: float = 1.0) -> AsyncIterator[asyncio.Task[None]]:
    """Run an outbox, and close it at the end."""
    task = asyncio.create_task(outbox.run())
    try:
        yield task
    finally:
        await outbox.close(grace_s)
        await task


async def until(done: Callable[[], bool]) -> None:
    """Let the outbox run until a condition is true."""
    async with asyncio.timeout(30):
        while not done():  # noqa: ASYNC110  the condition is a plain value of a test double
            await asyncio.sleep(0)


async def settled(store: MemoryOutboxStore, written: int) -> None:
    """Wait until `written` results have been written."""
    await until(lambda: store.written >= written)


async def test_each_notifier_gets_each_message_in_order() -> None:
    """Every message of a thread reaches every notifier once, in its order, and the event log says so."""
    store, clock = MemoryOutboxStore(), SetClock()
    mail, hook = ScriptedNotifier(name="mail"), ScriptedNotifier(name="hook")
    outbox = outbox_on(store, [mail, hook], clock)
    for message in messages():
        store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox):
        await settled(store, 8)
    assert mail.got == hook.got == [each.id for each in messages()]
    assert set(store.states()) == {DeliveryState.DELIVERED}
    first = store.events[0]
    assert (first.entry, first.key, first.concern) == (Entry.DELIVERY, messages()[0].key, messages()[0].concern)
    assert first.text == "sent by mail: pool skerry full in about 3 days (Fri 27 Nov)"
    assert dict(first.details) == {"notifier": "mail", "message": messages()[0].id, "attempts": "1"}
    assert (mail.closed, hook.closed) == (True, True)


async def test_poke_wakes() -> None:
    """A delivery that is committed while the outbox rests is made when it is poked."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier()
    outbox = outbox_on(store, [post], clock)
    async with running(outbox):
        await asyncio.sleep(0.01)
        store.add(outbox.deliveries_for(messages()[0], NOW))
        outbox.poke()
        await settled(store, 1)
    assert post.got == [messages()[0].id]


def test_each_receiver_has_its_own_threshold() -> None:
    """RFC 8632 notify-status-changes: a change is sent if it starts or ends at or above the receiver's priority."""
    every = [ScriptedNotifier(name=p.word, at_least=p) for p in Priority]
    outbox = outbox_on(MemoryOutboxStore(), every, SetClock())
    raised, worse, eased, ended = messages()
    told = [
        [delivery.notifier for delivery in outbox.deliveries_for(each, NOW)] for each in (raised, worse, eased, ended)
    ]
    assert told == [
        ["caution", "warning"],
        ["caution", "warning", "alarm"],
        ["caution", "warning", "alarm"],
        ["caution"],
    ]
    (delivery, *_) = outbox.deliveries_for(raised, NOW)
    assert (delivery.made_at, delivery.due_at, delivery.state, delivery.message) == (
        NOW,
        NOW,
        DeliveryState.WAITING,
        raised,
    )


async def test_deferred_is_tried_again_with_the_same_id() -> None:
    """A failed delivery is tried again later, each time after longer, with the same id; the event log has it twice."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier([deferred() for _ in range(4)])
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await settled(store, 5)
    assert post.tried == [messages()[0].id] * 5
    delivery = store.deliveries[1]
    assert (delivery.state, delivery.tries, delivery.trouble) == (DeliveryState.DELIVERED, 5, "")
    # first_s + half of the way to first_s * 2**n: 7.5, 12.5, 22.5 and 42.5 s
    assert delivery.done_at == NOW + timedelta(seconds=85)
    assert [line.text for line in store.events] == [
        "not sent yet by post: pool skerry full in about 3 days (Fri 27 Nov)",
        "sent by post, 85 s after the event: pool skerry full in about 3 days (Fri 27 Nov)",
    ]
    assert store.events[0].details["error"] == "post: the server did not answer in time"


@pytest.mark.parametrize(("wish_s", "waits_s"), [(600.0, 602.5), (0.0, 2.5), (1e9, 86_402.5)])
def test_retry_after_is_honoured(wish_s: float, waits_s: float) -> None:
    """The receiver's requested delay applies, up to a day."""
    assert RetryPolicy().wait_s(1, wish_s, 0.5) == waits_s


@given(st.integers(1, 10_000), st.floats(0, 1))
def test_back_off_is_bounded(tries: int, drawn: float) -> None:
    """A wait is never shorter than the first nor longer than the longest, whatever the random draw."""
    wait_s = RetryPolicy().wait_s(tries, None, drawn)
    assert 5 <= wait_s <= min(1_800, 5 * 2**tries)


async def test_retry_after_through_the_outbox() -> None:
    """A Retry-After of ten minutes is waited for, and meanwhile the delivery states the cause."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier([deferred(600)])
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await settled(store, 1)
        waiting = store.deliveries[1]
        clock.advance(700)
        outbox.poke()
        await settled(store, 2)
    assert (waiting.state, waiting.trouble) == (DeliveryState.WAITING, "post: the server did not answer in time")
    assert waiting.due_at == NOW + timedelta(seconds=602.5)
    assert store.deliveries[1].state is DeliveryState.DELIVERED


async def test_refused_is_set_aside(caplog: pytest.LogCaptureFixture) -> None:
    """A refused message is set aside with its cause, recorded in the event log, and the next of the thread goes."""
    store, clock = MemoryOutboxStore(), SetClock()
    post = ScriptedNotifier([DeliveryRefused("post: 550 no such box")])
    outbox = outbox_on(store, [post], clock)
    for message in messages()[:2]:
        store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox):
        await settled(store, 2)
    assert store.states() == [DeliveryState.SET_ASIDE, DeliveryState.DELIVERED]
    assert store.deliveries[1].trouble == "post: 550 no such box"
    assert store.deliveries[1].done_at == NOW
    assert store.events[0].text.startswith("not sent by post, given up: pool skerry")
    assert "post: 550 no such box; given up after 1 try" in caplog.text
    assert outbox.attempts == {("post", DeliveryState.SET_ASIDE): 1, ("post", DeliveryState.DELIVERED): 1}


async def test_an_unforeseen_error_is_not_the_end(caplog: pytest.LogCaptureFixture) -> None:
    """A defect in a notifier defers the delivery; the log entry names the place and contains no secret."""
    store, clock = MemoryOutboxStore(), SetClock()
    post = ScriptedNotifier([RuntimeError("password is hide-and-seek")])
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await settled(store, 2)
    assert store.states() == [DeliveryState.DELIVERED]
    assert "failed with RuntimeError at outbox.py:" in caplog.text
    assert "hide-and-seek" not in caplog.text + str(store.events)


async def test_given_up_in_the_end() -> None:
    """A delivery that was tried often enough and long enough is set aside; one of the two alone is not enough."""
    store, clock = MemoryOutboxStore(), SetClock()
    post = ScriptedNotifier([deferred() for _ in range(100)])
    outbox = outbox_on(store, [post], clock, RetryPolicy(give_up_s=300, least_tries=4))
    store.add(outbox.deliveries_for(messages()[0], NOW))
    store.add(
        replace(each, made_at=NOW - timedelta(days=30)) for each in outbox.deliveries_for(silence()[0].message(), NOW)
    )
    async with running(outbox):
        async with asyncio.timeout(30):
            while DeliveryState.WAITING in store.states():
                outbox.poke()
                await clock.rest(asyncio.Event(), 1)
    assert store.states() == [DeliveryState.SET_ASIDE, DeliveryState.SET_ASIDE]
    assert store.deliveries[2].tries == 4
    young = store.deliveries[1]
    assert young.done_at is not None
    assert young.done_at - young.made_at > timedelta(seconds=300)


async def test_a_slow_receiver_holds_nobody_up() -> None:
    """While one notifier hangs in a delivery, the other continues."""
    store, clock = MemoryOutboxStore(), SetClock()
    slow, quick = ScriptedNotifier(name="slow", hold=asyncio.Event()), ScriptedNotifier(name="quick")
    outbox = outbox_on(store, [slow, quick], clock)
    for message in messages():
        store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox, grace_s=0.01):
        await settled(store, 4)
    assert len(quick.got) == 4
    assert slow.got == []


async def test_a_failing_thread_holds_no_other_up() -> None:
    """A message that keeps failing delays its own thread, not the others, and its thread keeps its order."""
    store, clock = MemoryOutboxStore(), SetClock()
    pool, hub = messages()[:2], silence()[0].message()
    post = ScriptedNotifier([deferred(100)])
    outbox = outbox_on(store, [post], clock)
    for message in (*pool, hub):
        store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox):
        await settled(store, 2)
        clock.advance(200)
        outbox.poke()
        await settled(store, 4)
    assert post.got == [hub.id, pool[0].id, pool[1].id]


async def test_restart_goes_on() -> None:
    """An interrupted delivery waits in the store, and the next daemon run delivers it with the same id."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier(hold=asyncio.Event())
    outbox = outbox_on(store, [post], clock)
    for message in messages():
        store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox, grace_s=0.01):
        await until(lambda: bool(post.tried))
    assert store.states() == [DeliveryState.WAITING] * 4
    post.hold = None
    async with running(outbox_on(store, [post], clock)):
        await settled(store, 4)
    assert post.got == [each.id for each in messages()]
    assert post.tried[0] == post.tried[1]


async def test_close_lets_a_delivery_end() -> None:
    """A delivery in progress that ends within the grace period is recorded, and no other is begun."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier(hold=asyncio.Event())
    outbox = outbox_on(store, [post], clock)
    for message in messages():
        store.add(outbox.deliveries_for(message, NOW))
    task = asyncio.create_task(outbox.run())
    await until(lambda: bool(post.tried))
    closing = asyncio.create_task(outbox.close(5))
    await asyncio.sleep(0)
    assert post.hold is not None
    post.hold.set()
    await closing
    await task
    assert store.states() == [DeliveryState.DELIVERED, *[DeliveryState.WAITING] * 3]


async def test_close_before_it_ran() -> None:
    """An outbox that is closed before it runs does nothing, and ends at once."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier()
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    await outbox.close(1)
    await outbox.run()
    assert post.tried == []


async def test_full_store_does_not_send_twice(caplog: pytest.LogCaptureFixture) -> None:
    """While the store accepts nothing, everything is delivered once; when it does again, all of it is written."""
    store, clock, post = (
        MemoryOutboxStore(failing=StoreFull("no room on its file system")),
        SetClock(),
        ScriptedNotifier(),
    )
    outbox = outbox_on(store, [post], clock)
    for message in messages():
        store.add(outbox.deliveries_for(message, NOW))
    async with running(outbox):
        await until(lambda: len(post.got) == 4)
        for _ in range(50):
            await asyncio.sleep(0)
        assert store.states() == [DeliveryState.WAITING] * 4
        store.failing = None
        outbox.poke()
        await settled(store, 4)
    assert post.tried == post.got == [each.id for each in messages()]
    assert store.states() == [DeliveryState.DELIVERED] * 4
    assert [line.text[:12] for line in store.events] == ["sent by post"] * 4
    assert "a delivery cannot be recorded yet: no room on its file system" in caplog.text


async def test_full_store_and_failing_receiver() -> None:
    """A deferral that cannot be written is remembered: its tries continue to count, and the wait is short."""
    store, clock = MemoryOutboxStore(failing=StoreFull("no room")), SetClock()
    post = ScriptedNotifier([deferred(3_600), deferred(3_600)])
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await until(lambda: bool(post.got))
        store.failing = None
        outbox.poke()
        await settled(store, 1)
    assert (store.deliveries[1].state, store.deliveries[1].tries) == (DeliveryState.DELIVERED, 3)
    assert store.deliveries[1].done_at is not None
    assert store.deliveries[1].done_at - NOW <= timedelta(seconds=2 * MEND_S)


async def test_unreadable_store_is_asked_again(caplog: pytest.LogCaptureFixture) -> None:
    """A store that cannot be read is queried again after a while; deliveries continue when it can."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier()
    store.failing, store.unreadable = StoreDamaged("page 7 is broken"), True
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await until(lambda: clock.wall > NOW)
        store.failing = None
        await settled(store, 1)
    assert post.got == [messages()[0].id]
    assert "post: the outbox cannot be read: page 7 is broken" in caplog.text


async def test_an_outbox_that_cannot_be_read_counts_as_failing() -> None:
    """Nothing is delivered while it cannot be read: after the limit health says so, until it can be read again."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier()
    store.failing, store.unreadable = StoreDamaged("page 7 is broken"), True
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    assert outbox.failing(600.0) == ({}, 1)
    async with running(outbox):
        await until(lambda: clock.wall > NOW + timedelta(seconds=700))
        assert outbox.failing(600.0) == ({"post": "the outbox cannot be read: page 7 is broken"}, 1)
        store.failing = None
        await settled(store, 1)
        assert outbox.failing(600.0) == ({}, 1)


async def test_a_defect_of_the_store_is_not_hidden() -> None:
    """An exception of the store other than StoreError ends `run`, so that deliveries never stop unnoticed."""

    class Broken(MemoryOutboxStore):
        async def next_delivery(self, notifier: str, passing: object = ()) -> None:
            raise RuntimeError(f"{notifier} {passing}")

    outbox = outbox_on(Broken(), [ScriptedNotifier()], SetClock())
    with pytest.raises(ExceptionGroup) as caught:
        await outbox.run()
    assert caught.value.subgroup(RuntimeError) is not None


@pytest.mark.parametrize("hours", [-1, 1])
async def test_clock_that_is_set(hours: int) -> None:
    """A wall clock that is set by an hour between two tries neither delays a delivery nor causes a storm."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier([deferred() for _ in range(3)])
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await settled(store, 1)
        clock.wall += timedelta(hours=hours)
        await settled(store, 4)
    assert len(post.tried) == 4
    assert clock.steady_s - 1_000 <= 60


async def test_suspend_between_tries() -> None:
    """After a suspend, during which the monotonic clock stood still, a delivery due meanwhile goes at once."""
    store, clock, post = MemoryOutboxStore(), SetClock(), ScriptedNotifier([deferred(7_200)])
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await settled(store, 1)
        clock.wall += timedelta(days=3)
        outbox.poke()
        await settled(store, 2)
    assert post.got == [messages()[0].id]


async def test_rest_ends_when_woken_or_in_time() -> None:
    """The real rest ends when poked, and otherwise when its time is over."""
    wake = asyncio.Event()
    await rest(wake, 0.01)
    wake.set()
    async with asyncio.timeout(30):
        await rest(wake, IDLE_S)


failures = st.sampled_from(["ok", "deferred", "wish", "defect", "refused", "full", "restart"])


@settings(max_examples=60)
@given(st.lists(failures, max_size=25), st.permutations(range(6)))
def test_every_message_at_least_once_in_order(script: list[str], order: list[int]) -> None:
    """Any sequence of failures, full stores and restarts loses no message.

    Every message is delivered or set aside, each thread in its order, and never with more deliveries than restarts or
    full stores can explain.
    """
    asyncio.run(_storm(script, order))


async def _storm(script: list[str], order: list[int]) -> None:
    logging.disable(logging.CRITICAL)
    store, clock = MemoryOutboxStore(), SetClock()
    post = ScriptedNotifier()
    every = [*messages(), *(each.message() for each in silence())]
    threads = {each.thread: [m.id for m in every if m.thread == each.thread] for each in every}
    first = outbox_on(store, [post], clock)
    for message in sorted(every, key=lambda m: (m.number, order[every.index(m)])):
        store.add(first.deliveries_for(message, NOW))
    refused = 0
    for act in [*script, "ok"]:
        store.failing = StoreFull("no room") if act == "full" else None
        script_of: dict[str, list[Exception | None]] = {
            "deferred": [deferred()] * 3,
            "wish": [deferred(50.0)],
            "defect": [ValueError("defect")],
            "refused": [DeliveryRefused("never")],
        }
        post.script = script_of.get(act, [])
        asked = len(post.script)
        outbox = outbox_on(store, [post], clock)
        task = asyncio.create_task(outbox.run())
        for _ in range(400 if act == "ok" else 8):
            outbox.poke()
            await asyncio.sleep(0)
        store.failing = None
        for _ in range(8):
            outbox.poke()
            await asyncio.sleep(0)
        await outbox.close(5)
        await task
        refused += act == "refused" and len(post.script) < asked
        clock.advance(4_000)
    logging.disable(logging.NOTSET)
    assert DeliveryState.WAITING not in store.states()
    assert store.states().count(DeliveryState.SET_ASIDE) == refused
    for ids in threads.values():
        firsts = list(dict.fromkeys(each for each in post.got if each in ids))
        assert firsts == [each for each in ids if each in firsts]
    done = {p.message.id for p in store.deliveries.values() if p.state is DeliveryState.DELIVERED}
    assert done <= set(post.got)
    assert len(post.got) == len(set(post.got))  # the store accepted every result in the end, so nothing arrived twice


def test_store_errors_are_one_family() -> None:
    """The outbox survives every StoreError of a store."""
    assert issubclass(StoreFull, StoreError)
    assert issubclass(StoreDamaged, StoreError)


async def test_what_a_notifier_holds_may_fail(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A connection that is kept open between deliveries and fails is opened again; deliveries continue."""
    monkeypatch.setattr("watchkeeper.notifiers.outbox.outbox.MEND_S", 0.0)
    began = []

    class Holding(ScriptedNotifier):
        async def attend(self) -> None:
            began.append(1)
            raise KeyError("s3cret")

    store, clock, post = MemoryOutboxStore(), SetClock(), Holding()
    outbox = outbox_on(store, [post], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await until(lambda: len(began) > 2)
        await settled(store, 1)
    assert "post: its background task failed with KeyError at test_outbox.py:" in caplog.text
    assert "s3cret" not in caplog.text


async def test_what_does_not_get_through_is_known() -> None:
    """Since when nothing was delivered, and why; one successful delivery ends it."""
    known: list[tuple[dict[str, str], int]] = []

    class Asking(ScriptedNotifier):
        async def deliver(self, message: Message) -> None:
            known.append(outbox.failing(15))
            await super().deliver(message)

    store, clock = MemoryOutboxStore(), SetClock()
    post = Asking([deferred() for _ in range(3)])
    outbox = outbox_on(store, [post, ScriptedNotifier(name="other")], clock)
    store.add(outbox.deliveries_for(messages()[0], NOW))
    async with running(outbox):
        await settled(store, 5)
    reason = "post: the server did not answer in time"
    # The waits are 7.5, 12.5 and 22.5 s: after the second it has failed for 20 s.
    assert known == [({}, 2), ({}, 2), ({"post": reason}, 2), ({"post": reason}, 2)]
    assert outbox.failing(0) == ({}, 2)


async def test_other_notifiers_take_over_while_it_runs() -> None:
    """A kept one continues; a removed one is closed, and what is in memory for it waits for the next of its name."""
    store, clock = MemoryOutboxStore(), SetClock()
    stays, goes = ScriptedNotifier(name="mail"), ScriptedNotifier(name="hook")
    outbox, one = outbox_on(store, [stays, goes], clock), messages()[0]
    async with running(outbox):
        await asyncio.sleep(0)
        await outbox.switch([stays], {}, UTC, 1.0)
        assert (stays.closed, goes.closed) == (False, True)
        assert {delivery.notifier for delivery in outbox.deliveries_for(one, clock.now())} == {"mail"}
        again = ScriptedNotifier(name="hook")
        await outbox.switch([stays, again], {}, UTC, 1.0)
        outbox.hold([Delivery("hook", one, clock.now(), clock.now())])
        async with asyncio.timeout(30):
            while not again.got:  # noqa: ASYNC110  a receiver has no event for it
                await asyncio.sleep(0.01)
    assert (stays.closed, again.closed) == (True, True)
    assert goes.got == []


async def test_what_a_notifier_that_has_left_holds_in_memory_is_not_lost() -> None:
    """The store is full, and its notifier is removed: the delivery counts as held and is returned to be written."""
    clock = SetClock()
    gone = ScriptedNotifier(name="hook", hold=asyncio.Event())
    outbox = outbox_on(MemoryOutboxStore(), [gone], clock)
    async with running(outbox):
        await asyncio.sleep(0)
        delivery = Delivery("hook", messages()[0], clock.now(), clock.now())
        outbox.hold([delivery])
        async with asyncio.timeout(30):
            while not gone.tried:  # noqa: ASYNC110  a receiver has no event for it
                await asyncio.sleep(0.01)
        await outbox.switch([], {}, UTC, 0.05)
        assert outbox.holding == 1
        taken, _ = outbox.take_back()
        assert [each.message.id for each in taken] == [delivery.message.id]
        assert outbox.holding == 0


async def test_a_change_before_it_runs_begins_nothing() -> None:
    """Changes made before the first delivery simply apply to it."""
    first, second = ScriptedNotifier(name="mail"), ScriptedNotifier(name="mail")
    outbox = outbox_on(MemoryOutboxStore(), [first], SetClock())
    await outbox.switch([second], {}, UTC, 1.0)
    assert first.closed
    async with running(outbox):
        await asyncio.sleep(0)
    assert second.closed
