"""The one path, with a store that keeps what it is given in memory and a clock that the test sets."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from watchkeeper.clock import Clock
from watchkeeper.core.alerts import Alert, Concern, Priority, State
from watchkeeper.core.message import Message
from watchkeeper.core.observation import Answer, Condition, Level, Observation, SeriesKey
from watchkeeper.core.records import Commit, Entry, JournalLine, Parcel, Seen
from watchkeeper.core.rules import Finding, Rules
from watchkeeper.errors import ProbeTimeout, StoreFull
from watchkeeper.pipeline import OWN_REFRESH, Pipeline, Watched

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
HUB = SeriesKey("service hide-hub", "answer")
DISK = SeriesKey("pool skerry", "health")
MINUTE = timedelta(minutes=1)


class Hands(Clock):
    """A clock that stands where the test puts it."""

    def __init__(self) -> None:
        self.at = START

    def now(self) -> datetime:
        return self.at

    def monotonic_s(self) -> float:
        return (self.at - START).total_seconds()


class Shelf:
    """A store that keeps commits, or has no room for them."""

    def __init__(self) -> None:
        self.commits: list[Commit] = []
        self.full = False

    async def commit(self, commit: Commit) -> None:
        if self.full:
            raise StoreFull("no room for the database; make some")
        self.commits.append(commit)

    @property
    def seen(self) -> list[Seen]:
        return [seen for commit in self.commits for seen in commit.seen]

    @property
    def journal(self) -> list[JournalLine]:
        return [line for commit in self.commits for line in commit.journal]

    @property
    def alerts(self) -> dict[tuple[SeriesKey, Concern], Alert]:
        return {(a.key, a.concern): a for commit in self.commits for a in commit.alerts}


class Desk:
    """An outbox with one notifier that wants to hear of everything."""

    def __init__(self) -> None:
        self.pokes = 0

    def parcels_for(self, message: Message, at: datetime) -> tuple[Parcel, ...]:
        return (Parcel("mail", message, at, at),)

    def poke(self) -> None:
        self.pokes += 1


class Script:
    """A probe that says, or raises, one thing after the other."""

    def __init__(self, *runs: Sequence[Observation] | Exception) -> None:
        self.runs = list(runs)

    async def observe(self) -> Sequence[Observation]:
        run = self.runs.pop(0) if len(self.runs) > 1 else self.runs[0]
        if isinstance(run, Exception):
            raise run
        return run

    async def close(self) -> None:
        pass


class House:
    """A pipeline with all that it stands on."""

    def __init__(self) -> None:
        self.clock, self.store, self.desk = Hands(), Shelf(), Desk()
        self.pipeline = self.made()

    def made(self) -> Pipeline:
        return Pipeline(self.store, self.desk, self.clock, "gannet", UTC)

    async def run(self, watched: Watched, *, after: timedelta = MINUTE) -> None:
        self.clock.at += after
        await self.pipeline.run(watched)

    @property
    def told(self) -> list[str]:
        return [parcel.message.headline for commit in self.store.commits for parcel in commit.parcels]


@pytest.fixture
def house() -> House:
    """A pipeline on watch over nothing yet."""
    return House()


def watched(*runs: Sequence[Observation] | Exception, label: str = "hide-hub") -> Watched:
    """A probe every minute, by the default rules."""
    return Watched(label, 60.0, Script(*runs), Rules())


UP: Sequence[Observation] = (Answer(HUB, answered=True, took_s=0.01),)
DOWN: Sequence[Observation] = (Answer(HUB, answered=False, reason="connection refused"),)


async def test_alert_journal_and_parcel_are_in_the_commit_of_the_sample_that_caused_them(house: House) -> None:
    """One transaction holds the sample, the finding, the alert, its journal line and its parcel."""
    probe = watched(DOWN)
    await house.run(probe)
    await house.run(probe)
    last = house.store.commits[-1]
    assert [seen.observation.key for seen in last.seen] == [HUB]
    assert [(a.concern, a.state) for a in last.alerts] == [(Concern.SILENT, State.ACTIVE)]
    assert [(line.entry, line.key, line.details["priority"]) for line in last.journal] == [
        (Entry.TRANSITION, HUB, "warning")
    ]
    assert [parcel.message.headline for parcel in last.parcels] == [last.journal[0].text]
    assert house.desk.pokes == 1


async def test_a_probe_that_fails_is_an_observation_of_the_probe(house: House) -> None:
    """A ProbeError, and a fault in the probe's code, are conditions of the probe that tell why."""
    await house.run(watched(ProbeTimeout("no answer from /skerry within 10 s")))
    await house.run(watched(ZeroDivisionError("division by zero"), label="nest-cams"))
    reasons = [s.observation.reason for s in house.store.seen if isinstance(s.observation, Condition)]
    assert reasons == ["no answer from /skerry within 10 s", "failed with ZeroDivisionError: division by zero"]
    assert house.pipeline.troubled_probes() == [
        "probe hide-hub: no answer from /skerry within 10 s",
        "probe nest-cams: failed with ZeroDivisionError: division by zero",
    ]
    assert len(house.told) == 2


async def test_a_probes_unchanged_condition_is_stored_once_an_hour(house: House) -> None:
    """That a probe ran well again is no news; that it no longer does is."""
    probe = watched(UP, UP, UP, ProbeTimeout("late"), UP)
    for _ in range(5):
        await house.run(probe)
    own = [s for s in house.store.seen if s.observation.key == probe.own_key]
    assert [s.at - START for s in own] == [MINUTE, 4 * MINUTE, 5 * MINUTE]
    await house.run(probe, after=OWN_REFRESH)
    assert len([s for s in house.store.seen if s.observation.key == probe.own_key]) == 4


async def test_a_probe_that_no_longer_runs_is_told_once(house: House) -> None:
    """Three intervals without a run: one alert of the probe, none for each of its series."""
    await house.run(watched(UP))
    house.clock.at += 3 * MINUTE
    await house.pipeline.review()
    assert [(a.key.subject, a.concern) for a in house.store.alerts.values()] == [("probe hide-hub", Concern.STALE)]
    assert house.pipeline.reviewed_at == house.clock.at


async def test_a_series_that_its_probe_no_longer_brings_is_stale(house: House) -> None:
    """A pool that vanished from what its probe sees is told, although the probe runs well."""
    probe = watched([Condition(DISK, sound=True)], [])
    for _ in range(4):
        await house.run(probe)
    await house.pipeline.review()
    assert [(a.key, a.concern) for a in house.store.alerts.values()] == [(DISK, Concern.STALE)]


async def test_what_cannot_be_seen_through_a_fault_is_not_stale_as_well(house: House) -> None:
    """A mount that hangs is told as that; its space and inodes are not told as missing on top of it."""
    space, answers = SeriesKey("file system /skerry", "space"), SeriesKey("file system /skerry", "answers")
    fine: list[Observation] = [Level(space, 1, 2), Condition(answers, sound=True)]
    hangs = [Condition(answers, sound=False, reason="it hangs")]
    probe = watched(fine, hangs, hangs, hangs, hangs, hangs, [Condition(answers, sound=True)])
    for _ in range(6):
        await house.run(probe)
    await house.pipeline.review()
    assert [(a.key, a.concern) for a in house.store.alerts.values()] == [(answers, Concern.UNSOUND)]
    await house.run(probe)
    await house.pipeline.review()
    assert (space, Concern.STALE) in house.store.alerts


async def test_without_room_the_samples_are_lost_and_nothing_else(house: House) -> None:
    """What must be told waits in memory, newest state first, and goes in with the next commit that fits."""
    probe = watched(DOWN, DOWN, UP, UP)
    await house.run(probe)
    house.store.full = True
    await house.run(probe)  # raises the alert
    await house.run(probe)  # and ends it
    assert house.pipeline.held_back > 0
    house.store.full = False
    await house.run(probe)
    last = house.store.commits[-1]
    assert [line.details["event"] for line in last.journal] == ["raise", "clear"]
    assert [parcel.message.number for parcel in last.parcels] == [1, 2]
    assert [(a.concern, a.state) for a in last.alerts] == [(Concern.SILENT, State.RECTIFIED)]
    assert house.pipeline.held_back == 0


async def test_a_review_writes_what_was_held_back(house: House) -> None:
    """Room that comes back is used without waiting for a sample."""
    house.store.full = True
    await house.pipeline.note(Entry.START, "the watch began")
    house.store.full = False
    await house.pipeline.review()
    assert [line.text for line in house.store.journal] == ["the watch began"]
    await house.pipeline.review()
    assert len(house.store.commits) == 1


async def test_a_restart_goes_on_where_the_store_stands(house: House) -> None:
    """After a restart in the middle of a silence nothing is raised again, and its end is told in the same episode."""
    probe = watched(DOWN, DOWN, DOWN, UP)
    await house.run(probe)
    await house.run(probe)
    findings = [f for commit in house.store.commits for f in commit.findings]
    latest = [(s, s.at) for s in {s.observation.key: s for s in house.store.seen}.values()]
    standing = list(house.store.alerts.values())
    house.clock.at += timedelta(minutes=30)
    house.pipeline = house.made()
    await house.pipeline.restore([probe], latest, findings, standing)
    await house.pipeline.review()
    assert len(house.told) == 1
    await house.run(probe)
    assert len(house.told) == 1
    await house.run(probe)
    assert house.told[1].startswith("ended")
    assert {p.message.thread for c in house.store.commits for p in c.parcels} == {
        house.store.commits[1].parcels[0].message.thread
    }


async def test_what_is_no_longer_watched_is_ended(house: House) -> None:
    """A probe taken out of the configuration leaves no alert standing without an end."""
    standing = Alert(
        HUB, Concern.SILENT, State.ACTIVE, Priority.WARNING, 1, tellings=1, raised_at=START, told=Priority.WARNING
    )
    await house.pipeline.restore([], [], [], [standing])
    assert [(a.key, a.state) for a in house.store.alerts.values()] == [(HUB, State.RECTIFIED)]
    assert len(house.told) == 1


async def test_what_was_normal_is_not_touched_by_a_restart(house: House) -> None:
    """An orphan that does not stand needs no end, and restoring nothing writes nothing."""
    await house.pipeline.restore([], [], [Finding(HUB, Concern.SILENT, START, None)], [Alert(HUB, Concern.SILENT)])
    assert house.store.commits == []


async def test_a_series_that_changes_its_kind_starts_anew(house: House) -> None:
    """A subject whose probe was replaced by one of another kind does not carry the old judgement along."""
    await house.run(watched([Condition(HUB, sound=False, reason="down")]))
    await house.run(watched(UP))
    assert set(house.pipeline.judgements[HUB].alerts) == {Concern.SILENT, Concern.STALE}


async def test_an_acknowledgement_is_in_the_journal_and_told_to_nobody(house: House) -> None:
    """A transition without a telling makes a journal line and no parcel."""
    probe = watched([Condition(DISK, sound=False, reason="a disk failed")], [Condition(DISK, sound=True)])
    await house.run(probe)
    await house.run(probe)
    house.clock.at += timedelta(days=8)
    await house.pipeline.review()
    assert [line.details["event"] for line in house.store.journal if line.key == DISK] == ["raise", "clear", "lapse"]
    assert len([headline for headline in house.told if "probe" not in headline]) == 2
