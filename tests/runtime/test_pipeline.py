"""The single data path, with a store that keeps its commits in memory and clocks that the test sets."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.support.house import DAY, HOUR, MINUTE, START, House, watched
from watchkeeper.alerting.correlation.group_alerts import DATABASE, FLOOD, GROUP
from watchkeeper.alerting.missing_data import GONE, is_gone
from watchkeeper.alerting.rules import FaultyRule, NotAnsweringRule, Rules
from watchkeeper.errors import ProbeTimeout, StoreDamaged
from watchkeeper.forecast import forecast as exhaustion
from watchkeeper.forecast.history import LevelHistory
from watchkeeper.messages.deletions import Deletion, Deletions
from watchkeeper.model.alert import Alert, Concern, Delays, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import Answer, Condition, Level, Observation, SeriesKey
from watchkeeper.model.records import Entry
from watchkeeper.runtime.scheduled_probe import OWN_REFRESH, Absent, ScheduledProbe

HUB = SeriesKey("service hide-hub", "answer")
DISK = SeriesKey("pool skerry", "health")


@pytest.fixture
def house() -> House:
    """A running pipeline that monitors nothing yet."""
    return House()


UP: Sequence[Observation] = (Answer(HUB, answered=True, took_s=0.01),)
DOWN: Sequence[Observation] = (Answer(HUB, answered=False, reason="connection refused"),)


async def test_alert_journal_and_delivery_are_in_the_commit_of_the_sample_that_caused_them(house: House) -> None:
    """One transaction holds the sample, the finding, the alert, its event log line and its delivery."""
    probe = watched(DOWN)
    await house.run(probe)
    await house.run(probe)
    last = house.store.commits[-1]
    assert [seen.observation.key for seen in last.seen] == [HUB]
    assert [(a.concern, a.state) for a in last.alerts] == [(Concern.NOT_ANSWERING, State.ACTIVE)]
    assert [(line.entry, line.key, line.details["priority"]) for line in last.events] == [
        (Entry.TRANSITION, HUB, "warning")
    ]
    assert [delivery.message.headline for delivery in last.deliveries] == [last.events[0].text]
    assert house.desk.pokes == 1


async def test_a_probe_that_fails_is_an_observation_of_the_probe(house: House) -> None:
    """A ProbeError, and a defect in the probe's code, become conditions of the probe with the reason."""
    await house.run(watched(ProbeTimeout("no answer from /skerry within 10 s")))
    await house.run(watched(ZeroDivisionError("division by zero"), label="nest-cams"))
    reasons = [s.observation.reason for s in house.store.seen if isinstance(s.observation, Condition)]
    assert reasons == ["no answer from /skerry within 10 s", "it failed with ZeroDivisionError: division by zero"]
    assert house.pipeline.state.troubled_probes() == [
        "probe hide-hub: no answer from /skerry within 10 s",
        "probe nest-cams: it failed with ZeroDivisionError: division by zero",
    ]
    assert len(house.told) == 2


async def test_a_series_that_cannot_be_evaluated_stops_no_other(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """A defect in the forecast of one pool: the other's alert comes all the same, and the probe says what failed."""
    space, full = SeriesKey("pool skerry", "space"), SeriesKey("pool fulmar", "space")
    working = exhaustion.forecast

    def defective(history: LevelHistory, now_s: float) -> Forecast:
        if history.recent()[2][-1] == 7:
            raise IndexError("index -1 is out of bounds")
        return working(history, now_s)

    monkeypatch.setattr(exhaustion, "forecast", defective)
    probe = watched([Level(space, 3, 7), Level(full, 9, 9)])
    await house.run(probe)
    await house.pipeline.review()
    reason = "pool skerry: space cannot be evaluated: IndexError: index -1 is out of bounds; the log has the details"
    assert house.pipeline.state.troubled_probes() == [f"probe hide-hub: {reason}"]
    assert {a.key: a.concern for a in house.store.alerts.values()} == {
        full: Concern.FULL,
        probe.own_key: Concern.FAULTY,
    }
    monkeypatch.setattr(exhaustion, "forecast", working)
    await house.run(probe)
    assert house.pipeline.state.troubled_probes() == []
    assert Concern.FULL in [each.concern for each in house.store.commits[-1].findings if each.key == space]


async def test_a_probes_unchanged_condition_is_stored_once_an_hour(house: House) -> None:
    """It is no news that a probe ran well again; it is news that it no longer does."""
    probe = watched(UP, UP, UP, ProbeTimeout("late"), UP)
    for _ in range(5):
        await house.run(probe)
    own = [s for s in house.store.seen if s.observation.key == probe.own_key]
    assert [s.at - START for s in own] == [MINUTE, 4 * MINUTE, 5 * MINUTE]
    for _ in range(OWN_REFRESH // MINUTE):
        await house.run(probe)
    assert len([s for s in house.store.seen if s.observation.key == probe.own_key]) == 4


async def test_a_probe_that_no_longer_runs_is_told_once(house: House) -> None:
    """Three intervals without a run: one alert of the probe, none for each of its series."""
    await house.run(watched(UP))
    await house.wait(3 * MINUTE)
    assert [(a.key.subject, a.concern) for a in house.store.alerts.values()] == [
        ("probe hide-hub", Concern.NOT_REPORTING)
    ]
    assert house.pipeline.state.reviewed_at == house.clock.at


async def test_a_series_that_its_probe_no_longer_brings_is_stale(house: House) -> None:
    """A pool that disappears from its probe's results is reported, although the probe runs well."""
    probe = watched([Condition(DISK, ok=True)], [])
    for _ in range(4):
        await house.run(probe)
    await house.pipeline.review()
    assert [(a.key, a.concern) for a in house.store.alerts.values()] == [(DISK, Concern.NOT_REPORTING)]


async def test_what_cannot_be_seen_through_a_fault_is_not_stale_as_well(house: House) -> None:
    """A hung mount is reported as such; its space and inodes are not reported as missing on top of it."""
    space, answers = SeriesKey("file system /skerry", "space"), SeriesKey("file system /skerry", "answers")
    fine: list[Observation] = [Level(space, 1, 2), Condition(answers, ok=True)]
    hangs = [Condition(answers, ok=False, reason="it hangs")]
    probe = watched(fine, hangs, hangs, hangs, hangs, hangs, [Condition(answers, ok=True)])
    for _ in range(6):
        await house.run(probe)
    await house.pipeline.review()
    assert [(a.key, a.concern) for a in house.store.alerts.values()] == [(answers, Concern.FAULTY)]
    await house.run(probe)
    await house.pipeline.review()
    assert (space, Concern.NOT_REPORTING) in house.store.alerts


async def test_without_room_the_samples_are_lost_and_nothing_else(house: House) -> None:
    """Messages are delivered from memory, and are stored with the next commit that fits, followed by the gap."""
    probe = watched(DOWN, DOWN, UP, UP)
    await house.run(probe)
    house.store.fill()
    await house.run(probe)  # raises the alert
    await house.run(probe)  # and ends it
    assert house.pipeline.state.held_back > 0
    assert [p.message.key for p in house.desk.ever_held] == [HUB, DATABASE, HUB]
    assert "free some space" in house.pipeline.state.database_trouble
    house.store.free()
    await house.run(probe)
    assert [(line.key, line.details.get("event")) for line in house.store.events] == [
        (HUB, "raise"),
        (DATABASE, "raise"),
        (HUB, "clear"),
        (DATABASE, "clear"),
        (None, None),
    ]
    assert "samples are missing for 75 s" in house.store.events[-1].text
    assert [(p.message.key, p.message.number) for p in house.store.deliveries] == [
        (HUB, 1),
        (DATABASE, 1),
        (HUB, 2),
        (DATABASE, 2),
    ]
    assert house.store.alerts[HUB, Concern.NOT_ANSWERING].state is State.RECTIFIED
    assert (house.pipeline.state.held_back, house.pipeline.state.database_trouble) == (0, "")


async def test_any_trouble_of_the_database_is_told_and_outlived(house: House) -> None:
    """A damaged file does not stop monitoring: it is reported, and all other messages are sent from memory."""
    house.store.trouble = StoreDamaged("watchkeeper.db is damaged: move it aside")
    probe = watched(DOWN)
    await house.run(probe)
    await house.run(probe)
    headlines = [p.message.headline for p in house.desk.held]
    assert headlines[0].startswith("watchkeeper cannot write its database since 06:01: watchkeeper.db is damaged")
    assert "hide-hub not answering" in headlines[1]
    assert not house.store.commits


async def test_the_alert_about_the_database_can_be_acknowledged_while_it_stands(house: House) -> None:
    """The operator knows and will free space tomorrow; the acknowledgement is written when there is space."""
    house.store.fill()
    await house.run(watched(UP))
    assert await house.pipeline.acknowledge(DATABASE, Concern.FAULTY)
    assert not await house.pipeline.acknowledge(DATABASE, Concern.FAULTY)
    house.store.free()
    await house.run(watched(UP))
    events = [line.details["event"] for line in house.store.events if line.key == DATABASE]
    assert events == ["raise", "acknowledge", "clear"]
    assert house.store.alerts[DATABASE, Concern.FAULTY].state is State.NORMAL


async def test_room_that_comes_and_goes_is_not_told_forty_times(house: House) -> None:
    """A database that is writable and unwritable by turns is chattering like any other alert."""
    probe = watched(UP)
    for turn in range(40):
        (house.store.fill if turn % 2 else house.store.free)()
        await house.run(probe)
    house.store.free()
    await house.run(probe)
    assert len([m for m in house.messages if m.key == DATABASE]) == 5


async def test_an_alert_about_the_database_that_was_stored_ends_after_a_restart(house: House) -> None:
    """Killed between the commit that had space and the one that reports it, the next daemon run reports it."""
    raised = Alert(
        DATABASE, Concern.FAULTY, State.ACTIVE, Priority.ALARM, 1, 1, START, START, notified_priority=Priority.ALARM
    )
    await house.pipeline.restore([], [], [], [raised])
    await house.pipeline.note(Entry.START, "monitoring started")
    assert [m.kind.value for m in house.messages] == ["ended"]
    assert house.store.alerts[DATABASE, Concern.FAULTY].priority is None


async def test_a_review_writes_what_was_held_back(house: House) -> None:
    """Space that becomes available is used without waiting for a sample."""
    house.store.fill()
    await house.pipeline.note(Entry.START, "monitoring started")
    house.store.free()
    await house.pipeline.review()
    assert house.store.events[0].text == "monitoring started"
    commits = len(house.store.commits)
    await house.pipeline.review()
    assert len(house.store.commits) == commits


async def test_a_restart_goes_on_where_the_store_stands(house: House) -> None:
    """After a restart in the middle of an outage nothing is raised again, and its end belongs to the same episode."""
    probe = watched(DOWN, DOWN, DOWN, UP)
    await house.run(probe)
    await house.run(probe)
    await house.restart([probe], away=timedelta(minutes=4))
    await house.pipeline.review()
    assert len(house.told) == 1
    await house.run(probe)
    assert len(house.told) == 1
    await house.run(probe)
    assert house.told[1].endswith("(alert ended)")
    assert len({message.thread for message in house.messages}) == 1


async def test_what_is_no_longer_monitored_is_ended(house: House) -> None:
    """A probe removed from the configuration leaves no alert active without an end."""
    standing = Alert(
        HUB,
        Concern.NOT_ANSWERING,
        State.ACTIVE,
        Priority.WARNING,
        1,
        message_count=1,
        raised_at=START,
        notified_priority=Priority.WARNING,
    )
    await house.pipeline.restore([], [], [], [standing])
    assert [(a.key, a.state) for a in house.store.alerts.values()] == [(HUB, State.NORMAL)]
    assert len(house.told) == 1


async def test_what_was_normal_is_not_touched_by_a_restart(house: House) -> None:
    """An orphan that is not active needs no end, and restoring nothing writes nothing."""
    await house.pipeline.restore(
        [], [], [Finding(HUB, Concern.NOT_ANSWERING, START, None)], [Alert(HUB, Concern.NOT_ANSWERING)]
    )
    assert house.store.commits == []


async def test_a_series_that_changes_its_kind_starts_again(house: House) -> None:
    """A subject whose probe was replaced by one of another kind does not keep the old evaluation state."""
    await house.run(watched([Condition(HUB, ok=False, reason="down")]))
    await house.run(watched(UP))
    assert set(house.registry[HUB].evaluator.concerns) == {Concern.NOT_ANSWERING, Concern.NOT_REPORTING}


async def test_a_lapse_is_in_the_journal_and_told_to_nobody(house: House) -> None:
    """A transition without a notification makes an event log line and no delivery."""
    probe = watched(
        [Condition(DISK, ok=False, reason="a disk failed")],
        [Condition(DISK, ok=True)],
        every_s=HOUR.total_seconds(),
    )
    await house.run(probe)
    await house.run(probe)
    for _ in range(8 * 24):
        await house.run(probe, after=HOUR)
    assert [line.details["event"] for line in house.store.events if line.key == DISK] == ["raise", "clear", "lapse"]
    assert len([headline for headline in house.told if "probe" not in headline]) == 2


async def test_what_the_keeper_does_is_in_the_journal_and_told_to_nobody(house: House) -> None:
    """Acknowledging, shelving and undoing that change the alert, are written at once, and send no message."""
    await house.run(watched([Condition(DISK, ok=False, reason="a disk failed")]))
    assert await house.pipeline.acknowledge(DISK, Concern.FAULTY)
    assert await house.pipeline.shelve(DISK, Concern.FAULTY, house.clock.at + HOUR)
    assert house.store.alerts[DISK, Concern.FAULTY].shelved(house.clock.at)
    assert await house.pipeline.unshelve(DISK, Concern.FAULTY)
    assert [line.details["event"] for line in house.store.events] == ["raise", "acknowledge", "shelve", "unshelve"]
    assert house.store.alerts[DISK, Concern.FAULTY].state is State.ACKNOWLEDGED
    assert len(house.told) == 1


async def test_there_may_be_nothing_to_acknowledge_or_to_take_back(house: House) -> None:
    """A link that was followed twice, or a series that is gone, changes nothing."""
    assert not await house.pipeline.acknowledge(DISK, Concern.FAULTY)
    await house.run(watched([Condition(DISK, ok=True)]))
    commits = len(house.store.commits)
    assert not await house.pipeline.acknowledge(DISK, Concern.FAULTY)
    assert not await house.pipeline.unshelve(DISK, Concern.FAULTY)
    assert len(house.store.commits) == commits


SERVICES = [SeriesKey(f"service {name}", "answer") for name in ("hide-hub", "ringing-db", "nest-cams")]


def services(*, up: bool) -> list[Observation]:
    """All three services as one probe sees them."""
    return [Answer(key, answered=up, reason="" if up else "no route to host") for key in SERVICES]


async def test_answers_lost_at_once_are_one_message_and_are_shown_beneath_one_alert(house: House) -> None:
    """Each transition is in the event log with the alert that suppresses it; one action acknowledges them all."""
    probe = watched(services(up=True), services(up=False))
    for _ in range(4):
        await house.run(probe)
    assert house.told == ["group of services not answering: hide-hub, ringing-db, nest-cams"]
    held = [house.store.alerts[key, Concern.NOT_ANSWERING] for key in SERVICES]
    assert [alert.held_by for alert in held] == [GROUP] * 3
    raised = [line for line in house.store.events if line.key in SERVICES]
    assert {line.details["held by"] for line in raised} == {str(GROUP)}
    assert await house.pipeline.acknowledge(GROUP, Concern.NOT_ANSWERING)
    assert house.store.alerts[GROUP, Concern.NOT_ANSWERING].state is State.ACKNOWLEDGED


async def test_a_restart_keeps_who_is_held(house: House) -> None:
    """The next daemon run reports the end of the group, and nothing about its members."""
    probe = watched(services(up=True), services(up=False))
    for _ in range(4):
        await house.run(probe)
    back = watched(services(up=True))
    await house.restart([back], away=MINUTE)
    for _ in range(10):
        await house.run(back)
    assert [m.kind.value for m in house.messages] == ["raised", "ended"]
    assert not [a for a in house.store.alerts.values() if a.held_by or a.notified_priority]


async def test_a_flood_is_summed_up_in_one_commit_with_all_that_it_told_of(house: House) -> None:
    """At its end the members are marked as reported in the same transaction, so that no restart reports them again."""
    units = [SeriesKey(f"unit u{n}", "result") for n in range(12)]
    bad = [Condition(key, ok=False, reason="failed") for key in units]
    probe = watched(bad)
    await house.run(probe)
    assert len(house.told) == 10
    assert house.told[-1].startswith("alerts unusually frequent")
    for _ in range(11):
        await house.run(probe)
    assert len(house.told) == 11
    (end,) = [c for c in house.store.commits if any(p.message.headline.endswith("(alert ended)") for p in c.deliveries)]
    assert {a.key for a in end.alerts} >= set(units[9:])
    assert all(a.notified_priority is Priority.WARNING and a.held_by is None for a in end.alerts if a.key in units)
    assert [line.details["event"] for line in end.events] == ["clear", "notify", "notify", "notify"]


async def test_what_an_unknown_probe_had_brought_is_left_alone(house: House) -> None:
    """A probe was removed from the configuration: its series is no longer evaluated once no other can bring it."""
    await house.run(watched([Condition(DISK, ok=True)]))
    await house.restart([])
    await house.pipeline.review()
    assert not house.registry


async def test_a_fill_names_what_grew_most(house: House) -> None:
    """The message about a pool that fills names the dataset that grew most since the trend began."""
    pool, cams, log = (
        SeriesKey("pool skerry", "space"),
        SeriesKey("dataset nest-cams", "data"),
        SeriesKey("log", "data"),
    )
    gib = 2.0**30

    def at(minute: int) -> Sequence[Observation]:
        return (
            Level(pool, (500 + minute * 3) * gib, 1000 * gib),
            Level(cams, (100 + minute * 2.7) * gib, 1000 * gib, part_of=pool),
            Level(log, (100 + minute * 0.3) * gib, 1000 * gib, part_of=pool),
        )

    probe = watched(*(at(minute) for minute in range(120)))
    for _ in range(120):
        await house.run(probe)
    bodies = [delivery.message.body for commit in house.store.commits for delivery in commit.deliveries]
    assert bodies
    assert "grew most" in bodies[-1]
    assert bodies[-1].index("nest-cams") < bodies[-1].index("log")


GUEST, GUEST_MEMORY = SeriesKey("guest tide-log", "state"), SeriesKey("guest tide-log", "memory")


def guests(*, first: Sequence[Observation], then: Sequence[Observation] | Exception = ()) -> ScheduledProbe:
    """A probe that runs once an hour, and returns something else from its second run on."""
    return watched(first, then, label="guests", every_s=HOUR.total_seconds())


async def hours(house: House, probe: ScheduledProbe, count: int) -> None:
    """Let hours pass in which the probe runs normally, with a review every minute: a week of them takes long."""
    for _ in range(count):
        for _ in range(59):
            house.clock.run(MINUTE)
            await house.pipeline.review()
        house.clock.run(MINUTE)
        await house.look(probe)


async def test_what_has_not_been_seen_for_a_week_is_gone_for_good(house: House) -> None:
    """A removed guest is reported as stale, and a week later as gone; then it is no longer evaluated."""
    probe = guests(first=[Condition(GUEST, ok=True)])
    await hours(house, probe, 5)
    assert house.told == ["guest tide-log not reporting for 3 h 1 min"]
    await hours(house, probe, 7 * 24)
    assert house.told[1:] == [f"guest tide-log {GONE} (alert ended)"]
    assert house.store.findings[GUEST, Concern.NOT_REPORTING].reason == GONE
    assert GUEST in house.registry, "its alert waits to be acknowledged"
    assert await house.pipeline.acknowledge(GUEST, Concern.NOT_REPORTING)
    await house.pipeline.review()
    assert GUEST not in house.registry
    assert house.store.alerts[GUEST, Concern.NOT_REPORTING].state is State.NORMAL


async def test_all_that_was_told_of_what_is_gone_ends(house: House) -> None:
    """A guest that was removed while it was paused: neither that alert nor its memory alert is active forever."""
    paused = Condition(GUEST, ok=False, reason="paused", grave=True)
    probe = guests(first=[paused, Level(GUEST_MEMORY, 1, 2)])
    await hours(house, probe, 5)
    standing = {(a.key, a.concern) for a in house.store.alerts.values() if a.standing}
    assert standing >= {(GUEST, Concern.FAULTY), (GUEST, Concern.NOT_REPORTING), (GUEST_MEMORY, Concern.NOT_REPORTING)}
    assert list(house.registry.down) == [GUEST]
    await hours(house, probe, 7 * 24)
    assert not [a for a in house.store.alerts.values() if a.standing]
    assert GUEST in house.registry, "its alerts wait to be acknowledged"
    assert house.registry.down == {}, "what is gone is the cause of nothing"


async def test_what_comes_back_after_all_is_monitored_again(house: House) -> None:
    """It is evaluated from its first sample on, and a later absence is another episode."""
    probe = guests(first=[Condition(GUEST, ok=True)])
    await hours(house, probe, 7 * 24 + 5)
    await house.pipeline.acknowledge(GUEST, Concern.NOT_REPORTING)
    await house.pipeline.review()
    back = guests(first=[Condition(GUEST, ok=False, reason="paused")])
    await hours(house, back, 1)
    assert house.told[-1].endswith(": paused")
    await hours(house, back, 4)
    assert house.store.alerts[GUEST, Concern.NOT_REPORTING].episode == 2
    assert house.pipeline.state.book.get(GUEST, Concern.NOT_REPORTING).standing


async def test_what_is_gone_is_not_restored(house: House) -> None:
    """A restart does not report it again; while its alert is unacknowledged it can be acknowledged."""
    probe = guests(first=[Condition(GUEST, ok=True)])
    await hours(house, probe, 7 * 24 + 5)
    await house.restart([probe])
    await hours(house, probe, 5)
    assert house.registry[GUEST].evaluator.gone
    assert await house.pipeline.acknowledge(GUEST, Concern.NOT_REPORTING)
    await house.restart([probe])
    await hours(house, probe, 5)
    assert GUEST not in house.registry
    assert len([headline for headline in house.told if "tide-log" in headline]) == 2


async def test_a_restart_neither_ends_an_absence_nor_counts_again(house: House) -> None:
    """Nobody has seen it since, so it is not reported as back; the week continues."""
    probe = guests(first=[Condition(GUEST, ok=True)])
    await hours(house, probe, 5 * 24)
    await house.restart([probe])
    await hours(house, probe, 24)
    assert len([headline for headline in house.told if "tide-log" in headline]) == 1
    await hours(house, probe, 30)
    assert house.told[-1] == f"guest tide-log {GONE} (alert ended)"


async def test_what_a_failing_probe_cannot_see_is_not_gone(house: House) -> None:
    """The week counts only while the probe runs well, and time without power does not count either."""
    probe = guests(first=[Condition(GUEST, ok=True)])
    await hours(house, probe, 5)
    failing = guests(first=(), then=ProbeTimeout("late"))
    await hours(house, failing, 8 * 24)
    await hours(house, probe, 24)
    assert house.pipeline.state.book.get(GUEST, Concern.NOT_REPORTING).standing
    away = guests(first=())
    await house.restart([away], away=30 * DAY)
    assert house.pipeline.state.book.get(GUEST, Concern.NOT_REPORTING).standing


async def test_a_probe_that_never_runs_is_never_gone(house: House) -> None:
    """That a probe itself returns nothing is reported as long as it is true."""
    probe = watched([Condition(DISK, ok=True)])
    await house.run(probe)
    await house.wait(8 * DAY)
    assert [a.key for a in house.store.alerts.values() if a.standing] == [probe.own_key]


async def test_another_configuration_changes_rules_and_keeps_what_is_known(house: House) -> None:
    """The same probe with other rules: the outage continues in the same episode, evaluated by the new ones."""
    old = watched(DOWN)
    await house.run(old)
    await house.run(old)
    await house.run(old)
    assert len(house.told) == 1
    gentler = replace(old, rules=Rules(not_answering=NotAnsweringRule(warning_s=HOUR.total_seconds())))
    house.reload(gentler)
    assert house.registry[HUB].evaluator.rules is gentler.rules
    await house.run(gentler)
    assert {message.thread for message in house.messages} == {house.messages[0].thread}


@pytest.mark.parametrize("restart", [False, True])
async def test_a_probe_with_another_name_takes_its_series_along(house: House, *, restart: bool) -> None:
    """Nothing ends and nothing is raised again, whichever way the new configuration was loaded."""
    await house.run(watched(DOWN))
    await house.run(watched(DOWN))
    await house.run(watched(DOWN))
    renamed = watched(DOWN, label="hub")
    if restart:
        await house.restart([renamed])
    else:
        house.reload(renamed)
    await house.pipeline.review()
    assert len(house.told) == 1
    for _ in range(5):
        await house.run(renamed)
    assert len(house.told) == 1
    assert set(house.registry) == {HUB, renamed.own_key}
    assert house.store.events[-1].entry is Entry.CONFIGURATION


@pytest.mark.parametrize("restart", [False, True])
async def test_a_probe_that_has_left_ends_its_alerts_the_same_either_way(house: House, *, restart: bool) -> None:
    """Reported as ended, no longer monitored; nothing to acknowledge; not on the status page, and not removed twice."""
    await house.run(watched(DOWN))
    await house.run(watched(DOWN))
    await house.run(watched(DOWN))
    if restart:
        await house.restart([])
    else:
        house.reload()
        house.reload()
    await house.pipeline.review()
    assert house.told[1] == "service hide-hub no longer monitored (alert ended)"
    assert {alert.state for alert in house.store.alerts.values()} == {State.NORMAL}
    assert not house.registry
    assert is_gone(house.store.findings[HUB, Concern.NOT_REPORTING])
    lines = len(house.store.events)
    await house.restart([])
    await house.pipeline.review()
    assert len(house.store.events) == lines
    await house.restart([watched(DOWN)])
    assert not house.registry[HUB].evaluator.gone


async def test_a_removed_probe_is_waited_for_until_each_new_one_has_looked(house: House) -> None:
    """Its alerts end at the first review after that, not after two minutes."""
    await house.run(watched(DOWN))
    await house.run(watched(DOWN))
    await house.run(watched(DOWN))
    new = watched([Condition(DISK, ok=True)], label="disks")
    house.reload(new)
    await house.pipeline.review()
    assert HUB in house.registry
    await house.look(new)
    await house.pipeline.review()
    assert HUB not in house.registry
    assert house.told[-1] == "service hide-hub no longer monitored (alert ended)"


async def test_a_probe_that_was_there_before_is_not_waited_for(house: House) -> None:
    """It has already run."""
    stays = watched([Condition(DISK, ok=True)], label="disks")
    await house.run(stays, watched(UP))
    house.reload(stays)
    await house.pipeline.review()
    assert set(house.registry) == {DISK, stays.own_key}


async def test_a_probe_that_has_left_is_in_no_trouble(house: House) -> None:
    """Health names the probes of the active configuration."""
    await house.run(watched(ProbeTimeout("late")))
    assert house.pipeline.state.troubled_probes() == ["probe hide-hub: late"]
    house.reload()
    assert house.pipeline.state.troubled_probes() == []


async def test_what_correlates_outlives_a_reload(house: House) -> None:
    """An active group, and the number of recent alerts, are known to the next configuration."""
    probe = watched(services(up=True), services(up=False))
    for _ in range(4):
        await house.run(probe)
    house.reload(probe)
    for _ in range(3):
        await house.run(probe)
    back = watched(services(up=True))
    for _ in range(10):
        await house.run(back)
    assert [m.kind.value for m in house.messages] == ["raised", "ended"]
    assert house.told[-1].startswith("group of services answering again: hide-hub")


async def test_alerts_of_before_a_reload_count_for_a_flood(house: House) -> None:
    """Six before and six after it are twelve."""
    units = [Condition(SeriesKey(f"unit u{n}", "result"), ok=False, reason="failed") for n in range(12)]
    await house.run(watched(units[:6]))
    house.reload(watched(()))
    await house.run(watched(units))
    assert len(house.told) == 10
    assert house.told[-1].startswith("alerts unusually frequent")


async def test_findings_of_groups_are_stored_when_their_alert_moves(house: House) -> None:
    """The page shows why a group is active; unchanged findings are not written again and again."""
    probe = watched(services(up=True), services(up=False))
    for _ in range(8):
        await house.run(probe)
    assert house.store.findings[GROUP, Concern.NOT_ANSWERING].priority is Priority.WARNING
    stored = [f for commit in house.store.commits for f in commit.findings if f.key in (GROUP, FLOOD)]
    assert [f.key for f in stored] == [GROUP]


async def test_a_review_stores_findings_of_what_moved_and_of_nothing_else(house: House) -> None:
    """Everything is evaluated every 15 s: only new results are worth a row."""
    await house.run(watched([Answer(HUB, answered=False), Condition(DISK, ok=True)]))
    before = len(house.store.commits)
    await house.wait(MINUTE)
    review = house.store.commits[before:]
    assert [[(f.key, f.concern) for f in commit.findings] for commit in review] == [
        [(HUB, Concern.NOT_ANSWERING), (HUB, Concern.NOT_REPORTING)]
    ]


async def test_gaps_are_counted_and_nobody_was_late_with_a_review_in_one(house: House) -> None:
    """A review before the gap counts as a review after it; never reviewed remains never."""
    state = house.pipeline.state
    await house.look(watched(UP))
    house.clock.suspend(HOUR)
    await house.look(watched(UP))
    assert (state.breaks, state.reviewed_at) == (1, None)
    await house.pipeline.review()
    house.clock.suspend(HOUR)
    await house.look(watched(UP))
    assert (state.breaks, state.reviewed_at) == (2, house.clock.at)


@pytest.mark.parametrize(("seconds", "messages"), [(299, 0), (300, 1)])
async def test_five_minutes_without_power_are_told(house: House, seconds: int, messages: int) -> None:
    """Exactly five are reported; a shorter time is a restart."""
    probe = watched(UP)
    await house.look(probe)
    await house.restart([probe], away=timedelta(seconds=seconds))
    assert len(house.told) == house.pipeline.state.breaks == messages


@pytest.mark.parametrize(("seconds", "messages"), [(299, 0), (300, 1)])
async def test_five_minutes_of_sleep_are_told(house: House, seconds: int, messages: int) -> None:
    """A shorter time is only in the event log."""
    await house.look(watched(UP))
    house.clock.suspend(timedelta(seconds=seconds))
    await house.pipeline.review()
    assert len(house.told) == messages
    assert [line.entry for line in house.store.events] == [Entry.NOTE]


async def test_why_it_was_away_is_told(house: House) -> None:
    """The boot-time clock distinguishes a sleep from a process that was stopped."""
    await house.look(watched(UP))
    house.clock.suspend(HOUR)
    await house.pipeline.review()
    house.clock.run(HOUR)
    await house.pipeline.review()
    bodies = [message.body.replace("\n", " ") for message in house.messages]
    assert ["The host was suspended." in body for body in bodies] == [True, False]
    assert ["The process was stopped, or the machine stalled." in body for body in bodies] == [False, True]


async def test_no_delay_runs_while_nobody_looks(house: House) -> None:
    """An on-delay of five minutes is not over because the host slept for an hour."""
    rules = Rules(faulty=FaultyRule(delays=Delays(on_delay_s=300)))
    probe = watched([Condition(DISK, ok=False)], rules=rules)
    await house.run(probe)
    house.clock.suspend(HOUR)
    await house.run(probe)
    assert DISK not in {message.key for message in house.messages}
    for _ in range(5):
        await house.run(probe)
    assert DISK in {message.key for message in house.messages}


async def test_alerts_of_before_a_gap_count_for_a_flood(house: House) -> None:
    """Ten within ten minutes of monitored time."""
    units = [Condition(SeriesKey(f"unit u{n}", "result"), ok=False, reason="failed") for n in range(12)]
    await house.run(watched(units[:6]))
    house.clock.suspend(HOUR)
    await house.run(watched(units))
    assert house.told[-1].startswith("alerts unusually frequent")


async def test_a_gap_is_logged(house: House, caplog: pytest.LogCaptureFixture) -> None:
    """The log shows it without the event log."""
    await house.look(watched(UP))
    house.clock.suspend(HOUR)
    await house.pipeline.review()
    assert "no monitoring for 3600 s; the clock was changed by +0 s" in caplog.messages


async def test_starts_are_logged_and_the_operators_words_are_not(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    """Both are in the event log."""
    caplog.set_level("INFO")
    await house.pipeline.note(Entry.START, "monitoring started")
    await house.pipeline.note(Entry.NOTE, "bought a disk")
    assert [line.text for line in house.store.events] == ["monitoring started", "bought a disk"]
    assert "monitoring started" in caplog.messages
    assert "bought a disk" not in caplog.messages


async def test_what_is_down_before_a_restart_is_a_cause_after_it(house: House) -> None:
    """The pool is suspended; the service that depends on it is suppressed from the first run after the restart."""
    house.depends_on = {"hub": ("pool skerry",)}
    pool = watched([Condition(DISK, ok=False, reason="suspended", grave=True)], label="pool")
    await house.run(pool)
    await house.restart([pool, watched(UP, label="hub")], away=MINUTE)
    assert list(house.registry.down) == [DISK]
    for _ in range(3):
        await house.run(watched(DOWN, label="hub"))
    assert house.store.alerts[HUB, Concern.NOT_ANSWERING].held_by == DISK


async def test_what_was_raised_before_a_restart_counts_for_a_flood(house: House) -> None:
    """Nine, a restart, and one more: the tenth in ten minutes."""
    units = [Condition(SeriesKey(f"unit u{n}", "result"), ok=False, reason="failed") for n in range(10)]
    await house.run(watched(units[:9]))
    await house.restart([watched(units)])
    await house.run(watched(units))
    assert house.told[-1].startswith("alerts unusually frequent")


async def test_an_alert_is_known_by_its_series_and_its_concern(house: House) -> None:
    """A series cannot be shelved for a concern that it cannot raise, nor a group for one that it never has."""
    await house.run(watched([Condition(DISK, ok=True)]))
    until = house.clock.at + HOUR
    assert await house.pipeline.shelve(DISK, Concern.FAULTY, until)
    assert await house.pipeline.shelve(DISK, Concern.NOT_REPORTING, until)
    assert not await house.pipeline.shelve(DISK, Concern.NOT_ANSWERING, until)
    assert not await house.pipeline.shelve(GROUP, Concern.FAULTY, until)
    assert not await house.pipeline.shelve(HUB, Concern.NOT_ANSWERING, until)
    assert {(a.key, a.concern) for a in house.store.alerts.values()} == {
        (DISK, Concern.FAULTY),
        (DISK, Concern.NOT_REPORTING),
    }


async def test_a_series_that_was_dropped_goes_on_in_its_count_of_episodes(house: House) -> None:
    """Its messages must not reuse the names of earlier ones."""
    bad = watched([Condition(DISK, ok=False, reason="failed")], label="disks")
    await house.run(bad)
    house.reload()
    await house.pipeline.review()
    assert DISK not in house.registry
    await house.run(bad)
    assert house.store.alerts[DISK, Concern.FAULTY].episode == 2
    assert len({message.thread for message in house.messages}) == 2


async def test_nobody_stands_for_a_probe_that_has_left() -> None:
    """The placeholder for it reports nothing, and suppresses nothing."""
    assert await Absent().observe() == ()
    await Absent().close()


class Read:
    """What deleting would free: known once it was asked for."""

    def __init__(self) -> None:
        self.wanted: list[str] = []

    def want_ahead(self, subject: str) -> None:
        self.wanted.append(subject)

    def known(self, subject: str) -> Deletions | None:
        return Deletions((Deletion("6 GiB", "hide-hub"),), "watchkeeper reclaim") if subject in self.wanted else None


async def test_what_could_be_deleted_is_read_before_a_store_is_reported(house: House) -> None:
    """From the first forecast on, so that the message has it; of space alone, and not while nothing fills."""
    house.pipeline.state.deletions = read = Read()
    keys = (SeriesKey("pool skerry", "space"), SeriesKey("pool skerry", "metadata"), SeriesKey("pool reef", "space"))
    probe = watched(*[[Level(key, 1000.0 + 5 * n * (key != keys[2]), 2048.0) for key in keys] for n in range(80)])
    for _ in range(80):
        await house.run(probe)
    assert set(read.wanted) == {"pool skerry"}
    said = {each.key: each.body for each in house.messages}
    assert "  6 GiB: hide-hub" in said[keys[0]]
    assert "hide-hub" not in said[keys[1]]
    assert keys[2] not in said
