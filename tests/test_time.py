"""What time does to a watch: clocks that are set, nights of daylight-saving time, sleep, a process that was stopped.

A simulated house, with its clocks in the test's hand: no false alert, none lost, no storm, and the gap told once.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tests.support.house import DAY, HOUR, MINUTE, SECOND, START, House, watched
from watchkeeper.alerting.rules import FaultyRule, NotAnsweringRule, Rules
from watchkeeper.model.alert import Concern, Delays, NotificationKind, Priority, State
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Observation, SeriesKey
from watchkeeper.model.records import Entry
from watchkeeper.runtime.scheduled_probe import ScheduledProbe

HUB = SeriesKey("service hide-hub", "answer")
POOL = SeriesKey("pool skerry", "health")
SPACE = SeriesKey("file system /srv", "space")
NEWEST = SeriesKey("snapshots of ringing-db", "age of the newest")


class Station:
    """A house with a service, a pool, a file system that fills slowly and snapshots, all well."""

    def __init__(self) -> None:
        self.house = House()
        self.up, self.ok, self.used = True, True, 500.0

    @property
    def probes(self) -> list[ScheduledProbe]:
        at = self.house.clock.at
        snapshots = Deadline(NEWEST, due_at=at + 20 * HOUR, last_at=at - 4 * HOUR, period_s=DAY.total_seconds())
        return [
            watched([Answer(HUB, answered=self.up, took_s=0.01)], label="hide-hub"),
            watched([Condition(POOL, ok=self.ok), Level(SPACE, self.used, 1000.0)], label="storage"),
            watched([snapshots], label="ringing-db"),
        ]

    async def live(self, time: timedelta) -> None:
        """Let time pass, every probe looking once a minute."""
        for _ in range(time // MINUTE):
            self.used += 0.001
            await self.house.run(*self.probes)

    @property
    def alerts(self) -> list[str]:
        """What was told of alerts."""
        return [m.headline for m in self.house.messages if m.kind is not NotificationKind.NOTED]

    @property
    def noted(self) -> list[str]:
        """What was told of the watch itself."""
        return [m.headline for m in self.house.messages if m.kind is NotificationKind.NOTED]

    @property
    def gaps(self) -> list[str]:
        """What the journal says of gaps and clocks."""
        return [line.text for line in self.house.store.events if line.entry is not Entry.TRANSITION]


@pytest.mark.parametrize("hours", [-1, 1])
async def test_a_clock_that_is_set_by_an_hour_makes_no_alert(hours: int) -> None:
    """Nothing is stale, silent or due because of it; the journal says that it was set, and by how much."""
    station = Station()
    await station.live(HOUR)
    station.house.clock.set(hours * HOUR)
    await station.live(3 * HOUR)
    assert station.alerts == station.noted == []
    assert station.gaps == [f"the clock was changed by {hours * 3600:+d} s"]


@pytest.mark.parametrize("hours", [-1, 1])
async def test_an_alert_around_a_clock_that_is_set_comes_in_its_time_and_once(hours: int) -> None:
    """A service that went silent half a minute before is told after its minute, not an hour early or late."""
    station = Station()
    await station.live(10 * MINUTE)
    station.up = False
    await station.live(MINUTE)
    assert station.alerts == []
    station.house.clock.set(hours * HOUR)
    await station.live(2 * MINUTE)
    assert [m.kind for m in station.house.messages] == [NotificationKind.RAISED]
    assert station.house.messages[0].priority is Priority.WARNING
    await station.live(50 * MINUTE)
    assert len(station.alerts) == 1
    await station.live(12 * MINUTE)
    assert [m.priority for m in station.house.messages] == [Priority.WARNING, Priority.ALARM]
    station.up = True
    await station.live(5 * MINUTE)
    assert len(station.alerts) == 3


async def test_a_delay_is_as_long_as_it_was_set_whatever_the_clock_does() -> None:
    """An on-delay of five minutes is neither cut short nor drawn out by an hour."""
    rules = Rules(faulty=FaultyRule(delays=Delays(on_delay_s=300, off_delay_s=300)))
    for hours in (-1, 1):
        house = House()
        probe = watched([Condition(POOL, ok=True)], [Condition(POOL, ok=False)], rules=rules)
        await house.run(probe)
        await house.run(probe)
        house.clock.set(hours * HOUR)
        for _ in range(4):
            await house.run(probe)
        assert house.told == []
        for _ in range(2):
            await house.run(probe)
        assert len(house.told) == 1


async def test_a_suspend_of_three_days_is_told_once_and_is_no_silence() -> None:
    """From when to when it was away, in one message; all services are looked at again before anything is judged."""
    station = Station()
    await station.live(HOUR)
    station.house.clock.suspend(3 * DAY)
    await station.house.pipeline.review()
    await station.live(HOUR)
    assert station.alerts == []
    assert station.noted == ["monitoring was interrupted for 3 days, until Wed 4 Mar 07:00"]
    assert station.gaps == ["monitoring resumed after 3 days without monitoring, since Sun 1 Mar 07:00"]
    (message,) = station.house.messages
    assert "from Sun 1 Mar 07:00 to Wed 4 Mar 07:00. The host was suspended." in message.body.replace("\n", " ")


async def test_what_went_silent_before_a_suspend_goes_on_by_the_time_that_was_watched() -> None:
    """A silence of half an hour does not become an alarm by three days of sleep, and its end is told."""
    station = Station()
    await station.live(10 * MINUTE)
    station.up = False
    await station.live(30 * MINUTE)
    station.house.clock.suspend(3 * DAY)
    await station.live(10 * MINUTE)
    assert [m.priority for m in station.house.messages if m.kind is NotificationKind.RAISED] == [Priority.WARNING]
    assert not any(m.kind is NotificationKind.WORSE for m in station.house.messages)
    station.up = True
    await station.live(5 * MINUTE)
    assert station.house.messages[-1].kind is NotificationKind.ENDED


async def test_what_breaks_while_the_host_sleeps_is_told_after_it() -> None:
    """Nothing is lost either: the first looks after it find the pool faulty and the service not answering."""
    station = Station()
    await station.live(10 * MINUTE)
    station.house.clock.suspend(3 * DAY)
    station.ok = station.up = False
    await station.live(5 * MINUTE)
    assert {m.key for m in station.house.messages if m.kind is NotificationKind.RAISED} == {POOL, HUB}


@pytest.mark.parametrize("minutes", [2, 10])
async def test_a_process_that_was_stopped_does_not_take_that_for_silence(minutes: int) -> None:
    """Nobody looked: no probe is stale for it. Ten minutes are told, two stand in the journal alone."""
    station = Station()
    await station.live(10 * MINUTE)
    station.house.clock.run(minutes * MINUTE)
    await station.house.pipeline.review()
    await station.live(10 * MINUTE)
    assert station.alerts == []
    assert len(station.noted) == (minutes > 5)
    assert len(station.gaps) == 1


async def test_a_power_cut_of_three_days_is_told_once_and_is_no_silence() -> None:
    """The next life says how long it was away, and judges nothing before it has looked."""
    station = Station()
    await station.live(10 * MINUTE)
    station.up = False
    await station.live(5 * MINUTE)
    await station.house.restart(station.probes, away=3 * DAY)
    await station.live(10 * MINUTE)
    assert station.noted == ["monitoring was interrupted for 3 days, until Wed 4 Mar 06:15"]
    assert station.gaps == ["monitoring resumed after 3 days without monitoring, since Sun 1 Mar 06:15"]
    assert len(station.alerts) == 1
    station.up = True
    await station.live(2 * MINUTE)
    assert station.house.messages[-1].kind is NotificationKind.ENDED


async def test_a_restart_of_the_service_is_no_gap() -> None:
    """A minute for an upgrade is not worth a message, nor a line about having been away."""
    station = Station()
    await station.live(10 * MINUTE)
    await station.house.restart(station.probes, away=MINUTE)
    await station.live(10 * MINUTE)
    assert station.alerts == station.noted == station.gaps == []


async def test_a_start_with_a_clock_that_is_behind_is_no_gap() -> None:
    """A host without a battery for its clock starts in the past until the network sets it."""
    station = Station()
    await station.live(10 * MINUTE)
    await station.house.restart(station.probes, away=-2 * DAY)
    await station.live(10 * MINUTE)
    station.house.clock.set(2 * DAY)
    await station.live(10 * MINUTE)
    assert station.alerts == station.noted == []
    assert station.gaps == ["the clock was changed by +172800 s"]


async def test_a_leap_seconds_repeated_stamp_changes_nothing() -> None:
    """The wall clock shows the same second twice (POSIX time knows no leap second)."""
    station = Station()
    await station.live(10 * MINUTE)
    station.house.clock.run(SECOND)
    station.house.clock.set(-SECOND)
    for probe in station.probes:
        await station.house.look(probe)
    stamps = [s.at for s in station.house.store.seen if s.observation.key == HUB]
    assert stamps[-1] == stamps[-2]
    await station.live(HOUR)
    assert station.alerts == station.noted == station.gaps == []


async def test_stamps_that_jitter_around_a_step_make_no_storm() -> None:
    """A time service that steps back and forth by ten seconds a minute is told in the journal, and to nobody."""
    station = Station()
    for turn in range(30):
        station.house.clock.set(timedelta(seconds=10 if turn % 2 else -10))
        await station.live(MINUTE)
    assert station.alerts == station.noted == []
    assert len(station.gaps) == 29  # the first was set before the first look


@pytest.mark.parametrize(
    ("night", "before", "after"),
    [
        (datetime(2026, 3, 28, 22, 30, tzinfo=UTC), "UTC+01:00", "UTC+02:00"),
        (datetime(2026, 10, 24, 22, 30, tzinfo=UTC), "UTC+02:00", "UTC+01:00"),
    ],
)
async def test_a_daylight_saving_night_changes_words_alone(night: datetime, before: str, after: str) -> None:
    """Local time leaps or repeats an hour; within it a silence is told in its minute, with the zone as it is then."""
    house = House(zone=ZoneInfo("Europe/Paris"))
    house.clock.at = night
    up, down = [Answer(HUB, answered=True)], [Answer(HUB, answered=False)]
    rules = Rules(not_answering=NotAnsweringRule(warning_s=60.0, alarm_s=None))
    for start in (night + 10 * MINUTE, night + 4 * HOUR):
        while house.clock.at < start:
            await house.run(watched(up, rules=rules))
        for _ in range(3):
            await house.run(watched(down, rules=rules))
    assert [m.kind for m in house.messages] == [
        NotificationKind.RAISED,
        NotificationKind.ENDED,
        NotificationKind.RAISED,
    ]
    raised = [m for m in house.messages if m.kind is NotificationKind.RAISED]
    assert [m.at - m.since for m in raised if m.since] == [MINUTE, MINUTE]
    assert [before in raised[0].body, after in raised[1].body] == [True, True]
    assert house.store.events[0].entry is Entry.TRANSITION


async def test_held_and_shelved_alerts_outlast_a_gap_as_they_should() -> None:
    """What the operator chose by the clock ends by the clock; nothing is told while it lasts, and once after it."""
    station = Station()
    await station.live(10 * MINUTE)
    station.ok = False
    await station.live(2 * MINUTE)
    assert await station.house.pipeline.shelve(POOL, Concern.FAULTY, START + DAY)
    station.ok = True
    await station.live(2 * MINUTE)
    assert len(station.alerts) == 1
    station.house.clock.suspend(3 * DAY)
    await station.live(5 * MINUTE)
    assert [m.kind for m in station.house.messages] == [
        NotificationKind.RAISED,
        NotificationKind.NOTED,
        NotificationKind.ENDED,
    ]
    assert station.house.store.alerts[POOL, Concern.FAULTY].state is State.RECTIFIED


async def test_after_a_gap_a_seldom_probe_is_not_judged_by_what_it_saw_before() -> None:
    """A snapshot that came due while the host slept is judged when its probe has looked again."""
    house = House()
    due: list[Sequence[Observation]] = [
        [Deadline(NEWEST, due_at=START + 2 * HOUR, period_s=DAY.total_seconds())],
        [Deadline(NEWEST, due_at=START + 4 * DAY, period_s=DAY.total_seconds())],
    ]
    probe = watched(*due, every_s=DAY.total_seconds())
    await house.run(probe)
    house.clock.suspend(3 * DAY)
    await house.pipeline.review()
    await house.run(probe)
    assert [m.kind for m in house.messages] == [NotificationKind.NOTED]
