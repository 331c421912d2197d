"""A state machine that lives through any sequence of findings, of what the operator does, of restarts and of trouble.

After every step the store and the messages agree on what the operator knows; in the end everything that was raised has
ended. The rules of the game stand in `_agrees`.
"""

from collections.abc import Coroutine, Sequence
from datetime import timedelta
from typing import Any, TypeVar

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tests.support.house import DAY, HOUR, MINUTE, House
from watchkeeper.alerting.correlation.group_alerts import FLOOD, GROUP
from watchkeeper.alerting.rules import FaultyRule, NotAnsweringRule, Rules
from watchkeeper.messages.wording import thing
from watchkeeper.model.alert import LONGEST_SHELVED, Alert, Concern, Delays, NotificationKind, Priority
from watchkeeper.model.chattering import Chattering
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Answer, Condition, Observation, SeriesKey
from watchkeeper.model.records import Entry, EventLine
from watchkeeper.runtime.scheduled_probe import ScheduledProbe

pytestmark = pytest.mark.untraced

T = TypeVar("T")
AlertKey = tuple[SeriesKey, Concern]

NAMES = ("hide-hub", "ringing-db", "nest-cams", "tide-log")
SERVICES = [SeriesKey(f"service {name}", "answer") for name in NAMES]
GUESTS = [SeriesKey(f"guest {name}", "state") for name in NAMES[:2]]
UNITS = [SeriesKey(f"unit u{n}", "result") for n in range(12)]
POOL = SeriesKey("pool skerry", "health")
EVERYTHING = [*SERVICES, *GUESTS, *UNITS, POOL]

RULES = Rules(
    not_answering=NotAnsweringRule(warning_s=60, alarm_s=1800, delays=Delays(off_delay_s=60)),
    faulty=FaultyRule(delays=Delays(on_delay_s=60, escalate_s=7200)),
    chattering=Chattering(raises=3, within_s=7200, calm_s=1800),
)


class Sight:
    """A probe that sees how things are."""

    def __init__(self, keys: Sequence[SeriesKey], bad: dict[SeriesKey, bool]) -> None:
        self.keys, self.bad = keys, bad

    async def observe(self) -> Sequence[Observation]:
        return [self._seen(key) for key in self.keys]

    def _seen(self, key: SeriesKey) -> Observation:
        bad, grave = key in self.bad, self.bad.get(key, False)
        if key.quantity == "answer":
            return Answer(key, answered=not bad, reason="connection refused" if bad else "")
        return Condition(key, ok=not bad, reason="it stopped" if bad else "", grave=grave)

    async def close(self) -> None:
        pass


class Living(RuleBasedStateMachine):
    """A house with services in guests on a pool, and units."""

    def __init__(self) -> None:
        super().__init__()
        self.bad: dict[SeriesKey, bool] = {}
        self.unseen = False
        """Since a gap no probe has looked."""
        self.house = House({"guests": ("pool skerry",)})
        self.watched = [
            ScheduledProbe(label, 60.0, Sight(keys, self.bad), RULES)
            for label, keys in {
                **{f"web {key.subject}": [key] for key in SERVICES},
                "guests": GUESTS,
                "storage": [POOL],
                "units": UNITS,
            }.items()
        ]
        self.do(self.house.run(*self.watched))

    def do(self, work: Coroutine[Any, Any, T]) -> T:
        """Nothing in this house ever waits, so no event loop is needed, which takes most of the time."""
        try:
            work.send(None)
        except StopIteration as done:
            value: T = done.value
            return value
        raise AssertionError("something waited")

    @rule(keys=st.sets(st.sampled_from(EVERYTHING), max_size=12), grave=st.booleans())
    def break_down(self, keys: set[SeriesKey], grave: bool) -> None:  # noqa: FBT001  drawn
        self.bad.update(dict.fromkeys(keys, grave))

    @rule(keys=st.sets(st.sampled_from(EVERYTHING), max_size=12))
    def repair(self, keys: set[SeriesKey]) -> None:
        for key in keys:
            self.bad.pop(key, None)

    @rule(minutes=st.integers(1, 20))
    def live(self, minutes: int) -> None:
        for _ in range(minutes):
            self.do(self.house.run(*self.watched))
        self.unseen = False

    @rule(minutes=st.sampled_from([30, 60]))
    def live_long(self, minutes: int) -> None:
        self.live(minutes)

    @rule(key=st.sampled_from(EVERYTHING))
    def acknowledge(self, key: SeriesKey) -> None:
        self.do(self.house.pipeline.acknowledge(key, self.concern(key)))

    @rule(key=st.sampled_from(EVERYTHING), hours=st.none() | st.integers(1, 10_000), once=st.booleans())
    def shelve(self, key: SeriesKey, hours: int | None, once: bool) -> None:  # noqa: FBT001  drawn
        until = None if hours is None else self.house.clock.at + hours * HOUR
        self.do(self.house.pipeline.shelve(key, self.concern(key), until, once=once))

    @rule(key=st.sampled_from(EVERYTHING))
    def unshelve(self, key: SeriesKey) -> None:
        self.do(self.house.pipeline.unshelve(key, self.concern(key)))
        self.do(self.house.pipeline.review())  # sends what was kept back

    @rule(hours=st.sampled_from([1, 72, 24 * 31]))
    def sleep(self, hours: int) -> None:
        self.house.clock.suspend(hours * HOUR)
        self.unseen = True

    @rule(seconds=st.sampled_from([-3600, -7, 7, 3600]))
    def set_clock(self, seconds: int) -> None:
        self.house.clock.set(timedelta(seconds=seconds))
        self.unseen = True

    @rule()
    def fill_disk(self) -> None:
        self.house.store.fill()

    @rule()
    def free_disk(self) -> None:
        self.house.store.free()

    @precondition(lambda self: not self.house.pipeline.state.held_back)
    @rule(away=st.sampled_from([MINUTE, DAY]))
    def restart(self, away: timedelta) -> None:
        self.house.store.free()
        self.do(self.house.restart(self.watched, away=away))
        self.unseen = True

    @staticmethod
    def concern(key: SeriesKey) -> Concern:
        return Concern.NOT_ANSWERING if key.quantity == "answer" else Concern.FAULTY

    @property
    def alerts(self) -> list[Alert]:
        """All of them, as they stand in memory."""
        watched = [a for entry in self.house.registry.values() for a in entry.evaluator.alerts]
        book = self.house.pipeline.state.book
        return [*watched, book.get(GROUP, Concern.NOT_ANSWERING), book.get(FLOOD, Concern.FAULTY)]

    @invariant()
    def nothing_is_shelved_past_its_time(self) -> None:
        """Never longer than the bound; and when a shelving's time is up, the next look says so."""
        self.do(self.house.pipeline.review())
        now = self.house.clock.at
        for alert in self.alerts:
            until = alert.shelved_until
            assert until is None or self.unseen or now < until <= now + LONGEST_SHELVED, alert

    @invariant()
    def nothing_is_owed_but_what_is_kept_back(self) -> None:
        """The operator knows how each alert stands, unless they set it aside or another one stands for it."""
        now = self.house.clock.at
        for alert in self.alerts:
            assert alert.pending_notification is None or alert.kept_back(now) or self.unseen, alert

    @invariant()
    def what_holds_an_alert_is_told_itself(self) -> None:
        """Nobody is held by somebody who is not there: a cause that stands or has just gone, or a summary."""
        now = self.house.clock.at
        standing = {alert.key for alert in self.alerts if alert.standing}
        for alert in self.alerts:
            in_doubt = alert.raised_at is not None and now - alert.raised_at <= timedelta(minutes=3)
            assert alert.held_by is None or alert.held_by in standing or alert.held_until is not None or in_doubt, alert

    @precondition(lambda self: not self.house.pipeline.state.held_back)
    @invariant()
    def the_store_and_the_messages_agree(self) -> None:
        """What is stored is what is in memory, and what the operator was told is what the store says that they were."""
        stored = self.house.store.alerts
        for alert in self.alerts:
            assert stored.get((alert.key, alert.concern), Alert(alert.key, alert.concern)) == alert
        known = replayed([(line, message) for line, message in self.told()])
        for alert in self.alerts:
            assert known.get((alert.key, alert.concern)) == alert.notified_priority, alert

    def told(self) -> list[tuple[EventLine, Message | None]]:
        """The journal's transitions, each with its message where it has one."""
        pairs = list[tuple[EventLine, Message | None]]()
        for commit in self.house.store.commits:
            messages = iter([p.message for p in commit.deliveries if p.message.kind is not NotificationKind.NOTED])
            for line in commit.events:
                if line.entry is Entry.TRANSITION:
                    assert line.key is not None
                    silent = line.text.startswith(f"{thing(line.key)}: ")
                    pairs.append((line, None if silent else next(messages)))
            assert next(messages, None) is None
        return pairs

    def teardown(self) -> None:
        """All is well again: in the end nothing stands, everything that was raised has ended, and nothing is owed."""
        self.house.store.free()
        self.bad.clear()
        for alert in self.alerts:
            self.do(self.house.pipeline.unshelve(alert.key, alert.concern))
        self.live(90)
        assert [a for a in self.alerts if a.standing or a.notified_priority or a.held_by] == []
        self.the_store_and_the_messages_agree()
        super().teardown()


def replayed(told: list[tuple[EventLine, Message | None]]) -> dict[AlertKey, Priority | None]:
    """What the operator knows of each alert by messages and own actions; checks each message on the way."""
    known = dict[AlertKey, Priority | None]()
    threads = dict[str, int]()
    for line, message in told:
        assert line.key is not None
        assert line.concern is not None
        about, before = (line.key, line.concern), known.get((line.key, line.concern))
        stands = line.details.get("priority")
        priority = None if stands is None else Priority[stands.upper()]
        if message is not None:
            assert (message.key, message.concern, message.priority) == (line.key, line.concern, priority)
            assert message.before == before
            _follows(message, before)
            threads[message.thread] = threads.get(message.thread, 0) + 1
            assert message.number == threads[message.thread]
        if message is not None or line.details["event"] in ("acknowledge", "notify"):
            known[about] = priority
    return known


def _follows(message: Message, before: Priority | None) -> None:
    """A raise follows on an end, an end on a raise, and worse is worse than what was known."""
    match message.kind:
        case NotificationKind.RAISED:
            assert before is None
            assert message.priority is not None
        case NotificationKind.ENDED:
            assert before is not None
            assert message.priority is None
        case NotificationKind.WORSE:
            assert (message.priority or 0) > (before or 4)
        case NotificationKind.EASED:
            assert 0 < (message.priority or 0) < (before or 0)
        case other:
            raise AssertionError(other)


Living.TestCase.settings = settings(max_examples=20, stateful_step_count=20, deadline=None)
TestLiving: Any = Living.TestCase
