"""Drain the outbox: every message is delivered at least once, in order within its thread, with the same id each time.

Each notifier has its own task, so that they never delay each other. A delivery waits in the store until it is made or
set aside, so a restart loses nothing. What the store has no space to record is remembered here, so that it is not
delivered twice while the daemon runs. The only broad `except` around a delivery is here.

Not here: formats and protocols (notifiers/webhook/webhook.py, notifiers/mail/mail.py), and which transitions are
notified (model/alert.py).
"""

import asyncio
import logging
import random
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo

from watchkeeper.clock import Clock
from watchkeeper.errors import DeliveryDeferred, DeliveryRefused, StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.ack_links import AckLinks
from watchkeeper.messages.delivery.held_summary import held_summary, says_too_much
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.delivery.superseded import rewrite_superseded
from watchkeeper.messages.wording import duration
from watchkeeper.model.alert import NotificationKind
from watchkeeper.model.message import Message
from watchkeeper.model.operator.decision import RouteChoice
from watchkeeper.model.ports import OutboxStore
from watchkeeper.model.records import Delivery, DeliveryState, EventLine
from watchkeeper.notifiers.base import BackgroundNotifier, Notifier
from watchkeeper.notifiers.outbox.active_queues import make_queues
from watchkeeper.notifiers.outbox.delivery_worker import DeliveryQueue, error_location, line_about, log_fields
from watchkeeper.notifiers.outbox.retry_policy import DEFAULT_POLICY, Rest, RetryPolicy, rest

log = logging.getLogger(__name__)

IDLE_S = 60.0
"""The longest wait without a check.

`poke` signals new deliveries, so this only limits the delay after a missed signal, a suspend or a clock change.
"""

LATE_S = 300.0
"""The delay from which a message that is followed by a newer one of its thread is worded in the past tense.

Shorter delays are normal between two messages that come close together.
"""

LONGEST_HELD_S = 8 * 86_400.0
"""The longest, on the monotonic clock, that a message waits for the end of quiet hours.

The longest quiet hours are a week; one day is added.
"""

LEAST_TOGETHER = 2
"""So many held messages become one; a single one is sent as it is, if it is still true."""

EARLY_EVERY_S = 60.0
"""An early attempt that failed is not followed by another one within this time: one message alone may be refused, while
all others are accepted."""

MEND_S = 30.0
"""How long to wait before the store is read again after it failed."""


class Outbox:
    """Delivers messages to every notifier, with retries, until they are delivered."""

    def __init__(
        self,
        store: OutboxStore,
        notifiers: Sequence[Notifier],
        clock: Clock,
        *,
        patience: RetryPolicy = DEFAULT_POLICY,
        routes: Mapping[str, Route] | None = None,
        zone: tzinfo = UTC,
        passes: AckLinks | None = None,
        left_to_others: Callable[[Message], bool] | None = None,
        rest: Rest = rest,
        drawn: Callable[[], float] = random.random,
    ) -> None:
        """Read what waits in the store.

        routes: by notifier's name, what goes there and when; a notifier without a route has only its priority. zone:
        the operator's time zone. passes: adds links to messages; None: they have none. left_to_others:
        whether somebody else sends a message; raises DeliveryDeferred if that is not certain. rest and drawn are for
        tests: how to wait, and the source of randomness.
        """
        self._store, self._clock, self._patience = store, clock, patience
        self._rest, self._drawn = rest, drawn
        self._passes, self._left_to_others = passes, left_to_others
        self._active = make_queues(notifiers, routes or {}, zone)
        self._group: asyncio.TaskGroup | None = None
        self._closing = asyncio.Event()
        self.attempts = Counter[tuple[str, DeliveryState]]()
        """Attempts since the start, by notifier and the state of the delivery after it."""

    def deliveries_for(self, message: Message, at: datetime) -> tuple[Delivery, ...]:
        """One delivery for each notifier whose receiver wants the message; to be committed with the transition."""
        if self._passes is not None:
            message = self._passes.given(message)
        wanting = [lane for lane in self._active.queues if self._active.route(lane).wants(message)]
        return tuple(self._delivery(lane, self._active.route(lane).as_sent(message), at) for lane in wanting)

    def choices(self, message: Message, at: datetime) -> tuple[RouteChoice, ...]:
        """What each notifier's route decides about this message."""
        return tuple(self._choice(lane, message, at) for lane in self._active.queues)

    def _choice(self, lane: DeliveryQueue, message: Message, at: datetime) -> RouteChoice:
        route, name = self._active.route(lane), lane.notifier.name
        if refusal := route.refusal(message):
            return RouteChoice(name, refusal)
        leaves_at = route.leaves_at(message, at)
        return RouteChoice(name, held_until=leaves_at if leaves_at > at else None)

    def digest_deliveries(self, message: Message, names: Collection[str], at: datetime) -> tuple[Delivery, ...]:
        """One delivery of a digest for each of these notifiers."""
        return tuple(self._delivery(lane, message, at) for lane in self._active.queues if lane.notifier.name in names)

    def _delivery(self, lane: DeliveryQueue, message: Message, at: datetime) -> Delivery:
        due_at = self._active.route(lane).leaves_at(message, at)
        return Delivery(lane.notifier.name, message, made_at=at, due_at=due_at)

    @property
    def notifiers(self) -> tuple[Notifier, ...]:
        """The notifiers that deliver messages now."""
        return tuple(lane.notifier for lane in self._active.queues)

    @property
    def holding(self) -> int:
        """How many deliveries are held in memory, because the store has no space for them."""
        return sum(len(lane.unstored) for lane in self._active.all)

    @property
    def held(self) -> Sequence[Delivery]:
        """The deliveries held in memory, in their current state."""
        return [each for lane in self._active.all for each in lane.unstored.deliveries]

    def hold(self, deliveries: Sequence[Delivery]) -> None:
        """Deliver from memory what the store has no space for."""
        for lane in self._active.queues:
            lane.unstored.hold(each for each in deliveries if each.notifier == lane.notifier.name)
        self.poke()

    def take_back(self) -> tuple[Sequence[Delivery], Sequence[EventLine]]:
        """Return and forget what is held and not in progress, in its current state, with its event log entries."""
        taken = [lane.unstored.take_back() for lane in self._active.all]
        return [p for deliveries, _ in taken for p in deliveries], [line for _, lines in taken for line in lines]

    def failing(self, longer_than_s: float) -> tuple[dict[str, str], int]:
        """The notifiers that have delivered nothing for this long, with the reason; and how many notifiers there are.

        An outbox that cannot be read for this long counts as well: then nothing can be delivered.
        """
        since_s = self._clock.monotonic_s() - longer_than_s
        found = {lane.notifier.name: why for lane in self._active.queues if (why := lane.trouble(since_s))}
        return found, len(self._active.queues)

    def poke(self) -> None:
        """Signal that new deliveries have been committed."""
        for lane in self._active.queues:
            lane.wake.set()

    async def run(self) -> None:
        """Deliver until `close`.

        Raises any error of the store other than StoreError, so that deliveries never stop silently.
        """
        async with asyncio.TaskGroup() as group:
            self._group = group
            for lane in self._active.queues:
                self._begin(lane)
            await self._closing.wait()

    async def switch(
        self, notifiers: Sequence[Notifier], routes: Mapping[str, Route], zone: tzinfo, grace_s: float
    ) -> None:
        """Deliver by these notifiers from now on. One that was here before continues its work.

        One that is not among them has `grace_s` seconds to end a delivery in progress, and is closed. What waits for
        its name stays in the store, and what the store has no space for stays in memory until it has.
        """
        before, self._active = self._active, make_queues(notifiers, routes, zone, self._active)
        queues = self._active.queues
        await asyncio.gather(*(lane.end(grace_s) for lane in before.queues if lane not in queues))
        for lane in queues:
            if lane not in before.queues:
                self._begin(lane)
            lane.wake.set()

    def _begin(self, lane: DeliveryQueue) -> None:
        if self._group is None or self._closing.is_set():
            return
        name = lane.notifier.name
        lane.tasks = [self._group.create_task(self._drain(lane), name=name)]
        if isinstance(lane.notifier, BackgroundNotifier):
            lane.tasks.append(self._group.create_task(self._attend(name, lane.notifier), name=f"{name} attends"))

    async def close(self, grace_s: float) -> None:
        """Stop delivering.

        A delivery in progress has `grace_s` seconds to end; then it is cut off, and waits for the next start.
        """
        self._closing.set()
        await asyncio.gather(*(lane.end(grace_s) for lane in self._active.queues))

    async def _attend(self, name: str, notifier: BackgroundNotifier) -> None:
        """Let a notifier do its work between deliveries; a failure in it ends no deliveries."""
        while True:
            try:
                await notifier.attend()
            except Exception as error:  # noqa: BLE001  as around a delivery
                fields = about(Event.DISCONNECTED, notifier=name)
                text = "%s: its background task failed with %s at %s"
                log.error(text, name, type(error).__name__, error_location(error), extra=fields)  # noqa: TRY400  its text may hold a secret
            await asyncio.sleep(MEND_S)

    async def _drain(self, lane: DeliveryQueue) -> None:
        while not lane.over:
            lane.wake.clear()
            if lane.unstored.waiting and await self._deliver_unstored(lane):
                continue
            try:
                await self._write_left(lane)
                delivery = await self._next(lane)
            except StoreError as error:
                name, fields = lane.notifier.name, about(Event.OUTBOX, notifier=lane.notifier.name)
                log.error("%s: the outbox cannot be read: %s", name, error, extra=fields)  # noqa: TRY400  text says it all
                since_s = lane.unreadable[0] if lane.unreadable else self._clock.monotonic_s()
                lane.unreadable = (since_s, f"the outbox cannot be read: {error}")
                await self._rest(lane.wake, MEND_S)
                continue
            lane.unreadable = None
            wait_s = IDLE_S if delivery is None else self._wait_s(lane, delivery)
            early = delivery is not None and wait_s > 0 and self._is_tried_early(lane, delivery)
            if delivery is not None and (wait_s <= 0 or early):
                await self._send(lane, delivery, early=early)
            elif not lane.over:
                await self._rest(lane.wake, min(wait_s, MEND_S if lane.unwritten or lane.unstored.waiting else IDLE_S))

    async def _send(self, lane: DeliveryQueue, delivery: Delivery, *, early: bool) -> None:
        """Send a delivery whose time has come, or that is tried early, alone or with others that were held."""
        if await self._put_together(lane, delivery):
            return
        await self._record(lane, *await self._try(lane, delivery))
        if early and not lane.accepts:
            lane.early_failed_s = self._clock.monotonic_s()

    def _is_tried_early(self, lane: DeliveryQueue, delivery: Delivery) -> bool:
        """Return whether one that waits after a failure need not wait: the receiver has accepted another message since,
        or the daemon, or this configuration of the notifier, is new.

        It would come up to half an hour later than it could otherwise, in a thread that newer messages wait for. A wait
        that was asked for is kept: by the receiver, or because another station may have sent it.
        """
        if (
            not lane.accepts
            or delivery.id in lane.asked
            or self._clock.monotonic_s() - lane.early_failed_s < EARLY_EVERY_S
        ):
            return False
        current, now = lane.unwritten.get(delivery.id, (delivery, None))[0], self._clock.now()
        return current.tries > 0 and self._active.route(lane).leaves_at(delivery.message, now, delivery.behind) <= now

    async def _put_together(self, lane: DeliveryQueue, first: Delivery) -> bool:
        """Put what quiet hours held into one message, if this delivery is one of several; return whether it is.

        What cannot be written now is sent as it is.
        """
        now, name = self._clock.now(), lane.notifier.name
        if (
            not self._is_held(first)
            or _is_digest(first)
            or lane.unwritten
            or not self._active.route(lane).summarizes(now)
        ):
            return False
        try:
            held = [each for each in await self._store.held_deliveries(name, now) if not _is_digest(each)]
            messages, alerts = [each.message for each in held], await self._store.alerts()
            if len(held) < LEAST_TOGETHER and not says_too_much(messages, alerts):
                return False
            message = held_summary(name, messages, alerts, now, self._active.zone)
            done = [replace(each, state=DeliveryState.DELIVERED, done_at=now) for each in held]
            said = "put into one message after quiet hours by"
            lines = [(each, line_about(each, now, f"{said} {name}: {each.message.headline}")) for each in done]
            await self._store.put_together(Delivery(name, message, made_at=now, due_at=now), lines)
        except StoreError:
            return False
        for each in held:
            lane.due_s.pop(each.id, None)
        return True

    @staticmethod
    def _is_held(delivery: Delivery) -> bool:
        return delivery.tries == 0 and delivery.due_at > delivery.made_at

    async def _next(self, lane: DeliveryQueue) -> Delivery | None:
        """The stored delivery that is to be tried first.

        One that was put off, and that only this process knows, holds up its own thread and no other.
        """
        passing, put_off = list(self._passing(lane)), set[str]()
        first: Delivery | None = None
        while (found := await self._store.next_delivery(lane.notifier.name, passing)) is not None:
            if found.message.thread not in put_off:
                if first is None or self._wait_s(lane, found) < self._wait_s(lane, first):
                    first = found
                if found.id not in lane.unwritten:
                    break
                put_off.add(found.message.thread)
            passing.append(found.id)
        return first

    async def _deliver_unstored(self, lane: DeliveryQueue) -> bool:
        """Deliver one message from memory, unless earlier ones of its thread wait in the store. False: none is due."""
        delivery = lane.unstored.take_out(self._clock.now(), await self._threads_in_store(lane))
        if delivery is None:
            return False
        try:
            lane.unstored.put_back(*await self._try(lane, delivery))
        except asyncio.CancelledError:
            lane.unstored.put_back(delivery, None)
            raise
        return True

    async def _threads_in_store(self, lane: DeliveryQueue) -> set[str]:
        """The threads of which something waits in the store; empty if it cannot be read.

        A message held for quiet hours is no reason to wait: it cannot be brought forward while nothing can be written.
        """
        passing, threads = list(self._passing(lane)), set[str]()
        soon = self._clock.now() + timedelta(seconds=self._patience.longest_s)
        try:
            while (delivery := await self._store.next_delivery(lane.notifier.name, passing)) is not None:
                if delivery.due_at <= soon:
                    threads.add(delivery.message.thread)
                passing.append(delivery.id)
        except StoreError:
            return set()
        return threads

    def _passing(self, lane: DeliveryQueue) -> tuple[int, ...]:
        """Deliveries that the store still considers waiting, although they are done."""
        return tuple(
            id_ for id_, (delivery, _) in lane.unwritten.items() if delivery.state is not DeliveryState.WAITING
        )

    def _wait_s(self, lane: DeliveryQueue, delivery: Delivery) -> float:
        """Seconds until a delivery is due: by the wall clock, or by the monotonic clock if that is sooner.

        The wall clock may have been set back, and the monotonic clock stops while the host is suspended.
        """
        if delivery.id in lane.unwritten:
            delivery = lane.unwritten[delivery.id][0]
        left_s = (delivery.due_at - self._clock.now()).total_seconds()
        now_s = self._clock.monotonic_s()
        # A delivery held for quiet hours may wait longer than the longest Retry-After that is honoured, but has a
        # limit.
        longest_s = self._patience.longest_wish_s if delivery.tries else LONGEST_HELD_S
        due_s = lane.due_s.setdefault(delivery.id, now_s + min(left_s, longest_s))
        return min(left_s, due_s - now_s)

    async def _try(self, lane: DeliveryQueue, delivery: Delivery) -> tuple[Delivery, EventLine | None]:
        """Deliver once; return the delivery's new state, and its event log entry."""
        behind = delivery.behind
        delivery = replace(lane.unwritten.get(delivery.id, (delivery, None))[0], behind=behind)
        lane.due_s.pop(delivery.id, None)
        lane.asked.discard(delivery.id)
        delivery = await self._as_it_was(delivery)
        tried, line = await self._attempt(lane, replace(delivery, tries=delivery.tries + 1))
        self.attempts[tried.notifier, tried.state] += 1
        return tried, line

    async def _attempt(self, lane: DeliveryQueue, tried: Delivery) -> tuple[Delivery, EventLine | None]:
        try:
            if self._left_to_others is not None and self._left_to_others(tried.message):
                return self._left(tried)
            await lane.notifier.deliver(tried.message)
        except DeliveryRefused as error:
            return self._set_aside(tried, str(error))
        except DeliveryDeferred as error:
            return self._put_off(lane, tried, str(error), error.retry_after_s)
        except Exception as error:  # noqa: BLE001  a delivery that fails in an unforeseen way must not end them all
            what = f"{tried.notifier}: a delivery failed with {type(error).__name__} at {error_location(error)}"
            log.error("%s", what, extra=log_fields(Event.DELIVERY_ERROR, tried))  # noqa: TRY400  its text may hold a secret
            return self._put_off(lane, tried, what, None)
        now = self._clock.now()
        done = replace(tried, state=DeliveryState.DELIVERED, trouble="", done_at=now)
        late_s = (now - tried.message.at).total_seconds()
        late = f", {duration(late_s)} after the event" if late_s >= 60 else ""
        return done, line_about(done, now, f"sent by {tried.notifier}{late}: {tried.message.headline}")

    def _left(self, tried: Delivery) -> tuple[Delivery, EventLine]:
        """Somebody else has sent it."""
        now = self._clock.now()
        done = replace(tried, state=DeliveryState.DELIVERED, trouble="", done_at=now)
        return done, line_about(done, now, f"left to the station that sends: {tried.message.headline}")

    async def _as_it_was(self, delivery: Delivery) -> Delivery:
        """Rewrite in the past tense a message that is no longer true by the time it can leave.

        The new text is written first, so that each later attempt sends the same message.
        """
        message, now = delivery.message, self._clock.now()
        if not delivery.behind or message.late or (now - message.at).total_seconds() < LATE_S:
            return delivery
        rewritten = replace(delivery, message=rewrite_superseded(message, delivery.behind[-1], now, self._active.zone))
        try:
            await self._store.delivery_done(rewritten)
        except StoreError:
            return delivery
        return rewritten

    def _set_aside(self, delivery: Delivery, trouble: str) -> tuple[Delivery, EventLine]:
        now = self._clock.now()
        tries = "1 try" if delivery.tries == 1 else f"{delivery.tries} tries"
        log.error("%s; given up after %s", trouble, tries, extra=log_fields(Event.UNDELIVERABLE, delivery))
        aside = replace(delivery, state=DeliveryState.SET_ASIDE, trouble=trouble, done_at=now)
        return aside, line_about(aside, now, f"not sent by {delivery.notifier}, given up: {delivery.message.headline}")

    def _put_off(
        self, lane: DeliveryQueue, delivery: Delivery, trouble: str, wish_s: float | None
    ) -> tuple[Delivery, EventLine | None]:
        now, patience = self._clock.now(), self._patience
        age_s = (now - delivery.made_at).total_seconds()
        if age_s > patience.give_up_s and delivery.tries >= patience.least_tries:
            return self._set_aside(delivery, trouble)
        wait_s = patience.wait_s(delivery.tries, wish_s, self._drawn())
        if wish_s is not None:
            lane.asked.add(delivery.id)
        due_at = self._active.route(lane).leaves_at(delivery.message, now + timedelta(seconds=wait_s), delivery.behind)
        lane.due_s[delivery.id] = self._clock.monotonic_s() + (due_at - now).total_seconds()
        later = replace(delivery, due_at=due_at, trouble=trouble)
        if delivery.tries > 1:  # the delivery itself keeps the latest trouble; the event log reports the first
            return later, None
        wait = duration((due_at - now).total_seconds())
        log.warning("%s; retrying in %s", trouble, wait, extra=log_fields(Event.DELIVERY_DEFERRED, delivery))
        return later, line_about(later, now, f"not sent yet by {delivery.notifier}: {delivery.message.headline}")

    async def _record(self, lane: DeliveryQueue, delivery: Delivery, line: EventLine | None) -> None:
        """Record the result of a delivery; remember it if the store cannot record it now."""
        if delivery.state is DeliveryState.DELIVERED:
            if lane.failing is not None:
                log.info("%s: delivers again", delivery.notifier, extra=log_fields(Event.DELIVERY_RESUMED, delivery))
            lane.failing, lane.accepts = None, True
        else:
            lane.accepts = False
            lane.failing = (lane.failing[0] if lane.failing else self._clock.monotonic_s(), delivery.trouble)
        earlier = lane.unwritten.pop(delivery.id, (delivery, None))[1]
        try:
            await self._store.delivery_done(delivery, line or earlier)
        except StoreError as error:
            text, fields = "%s: a delivery cannot be recorded yet: %s", log_fields(Event.OUTBOX, delivery)
            log.error(text, delivery.notifier, error, extra=fields)  # noqa: TRY400  text says it all
            self._remember(lane, delivery, line or earlier)

    def _remember(self, lane: DeliveryQueue, delivery: Delivery, line: EventLine | None) -> None:
        """Keep a delivery's new state. One that waits is retried soon: the store would keep offering it first."""
        if delivery.state is DeliveryState.WAITING:
            soon = min(delivery.due_at, self._clock.now() + timedelta(seconds=MEND_S))
            delivery = replace(delivery, due_at=soon)
        lane.unwritten[delivery.id] = (delivery, line)

    async def _write_left(self, lane: DeliveryQueue) -> None:
        """Record what could not be recorded before. Raises StoreError only if reading would fail as well."""
        for id_, (delivery, line) in list(lane.unwritten.items()):
            try:
                await self._store.delivery_done(delivery, line)
            except StoreError:
                return
            del lane.unwritten[id_]


def _is_digest(delivery: Delivery) -> bool:
    """A digest is a summary itself: it is not put into another one."""
    return delivery.message.kind is NotificationKind.DIGEST
