"""The daemon's keeping: what it asks of the store, when, and how it holds the bound."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.store.material import DAY, HOUR, MINUTE, SKERRY, asked, level
from tests.support.clocks import HandClock
from watchkeeper.config.paths import StoreSettings
from watchkeeper.errors import StoreDamaged, StoreError, StoreFull
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.model.records import Commit, Entry
from watchkeeper.periodic import retention
from watchkeeper.periodic.retention import EVERY_S, INDEX_OWNER, OWNER, Retention
from watchkeeper.store import Store
from watchkeeper.store.history.retention_limits import Extent, RetentionLimits

NOW = datetime(2026, 11, 27, 14, 5, 30, tzinfo=UTC)
MIB = 2**20


class Journal:
    """Holds the lines that were noted."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    async def note(self, entry: Entry, text: str) -> None:
        assert entry is Entry.NOTE
        self.lines.append(text)


class Asked:
    """A store that remembers what it was asked, and has the size that it is told."""

    samples_from: datetime | None = NOW - 3 * DAY

    def __init__(self, size_bytes: int = MIB, error: StoreError | None = None) -> None:
        self.size_bytes, self.error = size_bytes, error
        self.horizons: list[RetentionLimits] = []
        self.inspected: list[bool] = []
        self.checked = 0

    async def keep(self, horizons: RetentionLimits, *, spare_share: float = 0.05) -> int:
        self.horizons.append(horizons)
        if self.error:
            raise self.error
        if spare_share == 0.0:
            self.size_bytes -= MIB
        return 0

    async def inspect(self, *, whole: bool) -> None:
        self.inspected.append(whole)
        if self.error:
            raise self.error

    async def check_indexes(self) -> None:
        self.checked += 1

    async def extent(self) -> Extent:
        return Extent(self.size_bytes, 0, self.samples_from, NOW - 100 * DAY)


def _settings(**given: Any) -> StoreSettings:
    return StoreSettings(path=Path("/var/lib/watchkeeper/watchkeeper.db"), **given)


async def _twice(store: Any, settings: StoreSettings, journal: Journal, step_s: float = EVERY_S) -> Retention:
    """Two turns; the first only looks at the clock."""
    clock = HandClock(NOW)
    kept = Retention(store, settings, clock, journal.note)
    await kept.run()
    clock.advance(step_s)
    await kept.run()
    return kept


async def test_the_horizons_are_the_configurations() -> None:
    """Whole hours for samples, whole days for hours and days; the rest to the second."""
    store = Asked()
    given = {
        "samples": "2d",
        "hours": "60d",
        "days": "365d",
        "events": "100d",
        "delivered": "10d",
        "forget_after": "20d",
        "forecasts": "300d",
    }
    await _twice(store, _settings(**given), Journal())
    now = NOW + timedelta(seconds=EVERY_S)
    day = now.replace(hour=0, minute=0, second=0)
    assert store.horizons == [
        RetentionLimits(
            samples=now.replace(minute=0, second=0) - 2 * DAY,
            hours=day - 60 * DAY,
            days=day - 365 * DAY,
            events=now - 100 * DAY,
            delivered=now - 10 * DAY,
            gone=now - 20 * DAY,
            forecasts=now - 300 * DAY,
            decisions=now - 14 * DAY,
            changes=now - 100 * DAY,
        )
    ]


async def test_what_it_works_with_is_looked_through_each_time() -> None:
    """Damage is looked for at every turn, everything and the indexes once a week, whatever the clock did before."""
    store, clock, notes = Asked(), HandClock(NOW), MemoryStateStore()
    for _ in range(2):  # a restart is no reason to look through everything again
        kept = Retention(store, _settings(), clock, Journal().note, notes)
        for _ in range(3):
            await kept.run()
            clock.advance(EVERY_S)
    assert (store.inspected, store.checked) == ([True, *[False] * 5], 1)
    clock.advance(7 * 86_400)
    await kept.run()
    assert (store.inspected[-1], store.checked) == (True, 2)
    await notes.write(INDEX_OWNER, "spoiled")
    await kept.run()
    assert store.checked == 3


async def test_looking_for_damage_stops_no_keeping() -> None:
    """Where it fails, it is logged and tried again; nothing is raised."""
    store = Asked(error=StoreDamaged("page 7 is broken"))
    await _twice(store, _settings(), Journal())
    assert store.inspected == [True, True]


@pytest.mark.parametrize("text", ["{", '{"since": "x", "lived_s": 1}', "[]", '{"since": "2026-01-01"}'])
async def test_a_note_that_cannot_be_read_means_waiting(text: str) -> None:
    """Since when the clock is not trusted cannot be read: nothing is deleted, and nothing is raised."""
    store, notes = Asked(), MemoryStateStore()
    await notes.write(OWNER, text)
    clock = HandClock(NOW)
    kept = Retention(store, _settings(), clock, Journal().note, notes)
    for _ in range(3):
        await kept.run()
        clock.advance(EVERY_S)
    assert store.horizons == []


async def test_a_clock_that_was_set_is_not_trusted_at_once() -> None:
    """Neither in its first turn nor after a step of the clock is anything deleted; in the next turn it is."""
    store, clock = Asked(), HandClock(NOW)
    kept = Retention(store, _settings(), clock, Journal().note)
    await kept.run()
    clock.advance(EVERY_S)
    clock.wall += 3000 * DAY
    await kept.run()
    assert store.horizons == []
    clock.wall -= 3000 * DAY
    clock.advance(EVERY_S)
    await kept.run()
    assert store.horizons == []
    clock.advance(EVERY_S)
    await kept.run()
    assert len(store.horizons) == 1


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (StoreFull("no room"), "retention waits for free space: no room"),
        (StoreError("odd"), "retention failed this time"),
    ],
)
async def test_trouble_with_the_database_ends_nothing(
    caplog: pytest.LogCaptureFixture, error: StoreError, words: str
) -> None:
    """It is logged, and tried again at the next turn."""
    await _twice(Asked(error=error), _settings(), Journal())
    assert words in caplog.text


async def test_the_bound_is_held_by_what_is_oldest() -> None:
    """Stride by stride the samples become hours sooner, until there is room; the journal says so."""
    store, journal = Asked(size_bytes=18 * MIB), Journal()
    await _twice(store, _settings(max_size="16 MiB"), journal)
    first = [each.samples for each in store.horizons[2:]]
    start = NOW - 3 * DAY
    assert store.horizons[1] == RetentionLimits()
    assert first == [(start + n * 6 * HOUR).replace(minute=0, second=0) for n in (1, 2)]
    bound = "the database has reached its size limit of 16 MiB"
    assert journal.lines == [
        f"{bound}: samples before 2026-11-25 02:00 UTC were rolled up into hours, sooner than the configured 14d"
    ]


async def test_then_hours_become_days(caplog: pytest.LogCaptureFixture) -> None:
    """Where the samples down to the last day are not enough, hours go too; what is still too much is told."""
    store, journal = Asked(size_bytes=100 * MIB), Journal()
    await _twice(store, _settings(max_size="16 MiB"), journal)
    now = NOW + timedelta(seconds=EVERY_S)
    last = store.horizons[-1]
    assert last == RetentionLimits(
        samples=(now - DAY).replace(minute=0, second=0), hours=(now - 60 * DAY).replace(hour=0, minute=0, second=0)
    )
    (told,) = journal.lines
    assert "and hours before 2026-09-28 were rolled up into days, sooner than the configured 400d" in told
    assert told.endswith("MiB: raise max_size under [store], or run probes less often")
    assert caplog.text == ""


async def test_where_only_hours_are_left() -> None:
    """A database without samples, of a host that was away for long, makes room with its hours."""
    store, journal = Asked(size_bytes=18 * MIB), Journal()
    store.samples_from = None
    await _twice(store, _settings(max_size="16 MiB"), journal)
    (told,) = journal.lines
    assert told.startswith("the database has reached its size limit of 16 MiB: hours before 2026-09-")


async def test_free_pages_may_be_room_enough() -> None:
    """If handing back what is free is enough, no sample becomes an hour before its time and nothing is told."""
    store, journal = Asked(size_bytes=16 * MIB + 1), Journal()
    await _twice(store, _settings(max_size="16 MiB"), journal)
    assert store.size_bytes == 15 * MIB + 1
    assert store.horizons[1:] == [RetentionLimits()]
    assert journal.lines == []


async def test_the_bound_is_told_once_a_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """A house that is at its bound all the time has one line a day of it."""
    store, journal, clock = Asked(size_bytes=10_000 * MIB), Journal(), HandClock(NOW)
    kept = Retention(store, _settings(max_size="16 MiB"), clock, journal.note)
    for _ in range(int(86_400 / EVERY_S) + 3):
        await kept.run()
        clock.advance(EVERY_S)
    assert len(journal.lines) == 2
    monkeypatch.setattr(retention, "NOTE_EVERY", timedelta())
    await kept.run()
    assert len(journal.lines) == 3


async def test_on_a_real_database(tmp_path: Path) -> None:
    """Written faster than its bound allows, it stays below it, and the newest day is there sample by sample."""
    path, journal, clock = tmp_path / "watchkeeper.db", Journal(), HandClock(NOW)
    size = "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size"
    async with await Store.open(path) as store:
        kept = Retention(store, _settings().model_copy(update={"max_size": MIB}), clock, journal.note)
        await kept.run()
        start = clock.now() - 13 * DAY
        for day in range(13):
            seen = [level(float(n), start + day * DAY + n * MINUTE / 4) for n in range(5_760)]
            await store.commit(Commit(seen=tuple(seen)))
        assert asked(path, size) > [(1.5 * MIB,)]
        clock.advance(EVERY_S)
        await kept.run()
        assert asked(path, size) <= [(MIB,)]
        raw = await store.samples(SKERRY, clock.now() - DAY, clock.now())
        assert len(raw) == 5_700  # of a day, but for the quarter of an hour that no sample came
        thinned = await store.samples_thinned(SKERRY, start, clock.now(), 100)
        assert sum(each.samples for each in thinned) == 13 * 5_760
    assert journal.lines[0].startswith("the database has reached its size limit of 1 MiB: samples before 2026-11-")


async def _turns(kept: Retention, clock: HandClock, days: float) -> None:
    for _ in range(int(days * 86_400 / EVERY_S)):
        clock.advance(EVERY_S)
        await kept.run()


async def test_a_clock_far_ahead_throws_nothing_away_until_it_has_stood_for_a_week() -> None:
    """Ten years ahead at the start: nothing is asked of the store for seven days, restarts or not; then all goes on."""
    store, clock, journal, notes = Asked(), HandClock(NOW), Journal(), MemoryStateStore()
    clock.wall += 3650 * DAY
    kept = Retention(store, _settings(), clock, journal.note, notes)
    await kept.begin(NOW)
    await _turns(kept, clock, 4)
    again = Retention(store, _settings(), clock, journal.note, notes)
    await again.begin(clock.now() - MINUTE)
    await _turns(again, clock, 2.9)
    assert store.horizons == []
    assert len(journal.lines) == 1
    assert "ahead of the newest record" in journal.lines[0]
    await _turns(again, clock, 0.2)
    assert store.horizons != []


async def test_a_leap_that_is_set_right_is_forgotten() -> None:
    """A step ahead in the middle of the watch is no reason to delete; set back, keeping goes on as ever."""
    store, clock, journal = Asked(), HandClock(NOW), Journal()
    kept = Retention(store, _settings(), clock, journal.note)
    await _turns(kept, clock, 0.05)
    store.horizons.clear()
    clock.wall += 3650 * DAY
    await _turns(kept, clock, 1)
    assert store.horizons == []
    clock.wall -= 3650 * DAY
    await _turns(kept, clock, 0.1)
    newest = max(each.days for each in store.horizons if each.days)
    assert newest < clock.now() - 3649 * DAY


async def test_a_host_that_was_off_for_a_month_is_kept_as_ever() -> None:
    """Less than a leap: the first steady turn keeps."""
    store, clock = Asked(), HandClock(NOW)
    kept = Retention(store, _settings(), clock, Journal().note)
    await kept.begin(None)
    await kept.begin(NOW - 30 * DAY)
    await _turns(kept, clock, 0.05)
    assert store.horizons != []


async def test_a_leap_that_cannot_be_written_down_ends_no_start(caplog: pytest.LogCaptureFixture) -> None:
    """A full disk at the start: it is logged, and the watch begins; another configuration keeps otherwise."""

    class Full(MemoryStateStore):
        async def write(self, owner: str, text: str) -> None:
            raise StoreFull(f"no room for {owner}: {len(text)}")

    store, clock = Asked(), HandClock(NOW)
    kept = Retention(store, _settings(), clock, Journal().note, Full())
    await kept.begin(NOW - 100 * DAY)
    assert "could not be recorded" in caplog.text
    kept = Retention(store, _settings(samples="3d"), clock, Journal().note, before=kept)
    await _turns(kept, clock, 0.05)
    newest = max(each.samples for each in store.horizons if each.samples)
    assert newest == clock.now().replace(minute=0, second=0) - 3 * DAY
