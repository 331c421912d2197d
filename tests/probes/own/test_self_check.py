"""The watch on the daemon's own process."""

import asyncio
import resource
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil
import pytest

from watchkeeper.clock import Clock
from watchkeeper.errors import StoreDamaged
from watchkeeper.model.observation import Condition, Level, SeriesKey, Unit
from watchkeeper.model.records import Quarantined
from watchkeeper.probes.base import OwnDatabase, ProbeContext
from watchkeeper.probes.own import self_check
from watchkeeper.probes.own.self_check import SelfCheckProbe, SelfCheckSettings

NOW = datetime(2026, 11, 27, 14, 5, tzinfo=UTC)


async def test_what_the_process_holds(bench: ProbeContext) -> None:
    """Open files are what /proc shows, against the limit of the process; memory and threads are facts."""
    probe = SelfCheckProbe(SelfCheckSettings(), bench)
    held = len(list(Path("/proc/self/fd").iterdir())) - 1  # noqa: ASYNC240  without the one that lists; it blocks nobody
    loop, files = await probe.observe()
    await probe.close()
    assert isinstance(files, Level)
    assert files.unit is Unit.COUNT
    assert files.used == held
    assert files.capacity == resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    assert dict(files.facts)["threads"] == str(psutil.Process().num_threads())
    assert isinstance(loop, Condition)
    assert loop.ok


async def test_a_process_without_a_limit(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a limit of its own, the process meets the kernel's."""
    monkeypatch.setattr(resource, "getrlimit", lambda _: (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    probe = SelfCheckProbe(SelfCheckSettings(), bench)
    (_, files) = await probe.observe()
    await probe.close()
    assert isinstance(files, Level)
    assert files.capacity == 2**20


class Hand(Clock):
    """A clock that is moved by the test, so that a busy machine is no hold-up."""

    passed_s = 1_000.0

    def monotonic_s(self) -> float:
        return self.passed_s


async def test_a_loop_that_was_held_up(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hold-up between two samples is reported by the second, and forgotten by the third."""
    monkeypatch.setattr(self_check, "BEAT_S", 0.02)
    clock = Hand()
    probe = SelfCheckProbe(SelfCheckSettings(loop_lag_limit=0.1), replace(bench, clock=clock))
    (loop, _) = await probe.observe()
    assert isinstance(loop, Condition)
    assert loop.ok
    due_s = probe._due_s
    assert due_s == clock.passed_s + self_check.BEAT_S
    clock.passed_s += 0.34  # time passes, and the loop comes to the beat only after it
    async with asyncio.timeout(30):
        while probe._due_s == due_s:  # noqa: ASYNC110  the beat knows nothing of who waits
            await asyncio.sleep(0.005)
    (loop, _) = await probe.observe()
    assert isinstance(loop, Condition)
    assert not loop.ok
    assert loop.reason.startswith("the event loop was blocked for 0.3 s")
    assert loop.facts == (("longest delay", "320 ms"),)
    (loop, _) = await probe.observe()
    assert isinstance(loop, Condition)
    assert loop.ok
    await probe.close()


async def test_a_loop_that_is_held_up_right_now(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """A beat that is overdue counts although it has not come yet."""
    monkeypatch.setattr(self_check, "BEAT_S", 3600.0)
    clock = Hand()
    probe = SelfCheckProbe(SelfCheckSettings(loop_lag_limit=0.1), replace(bench, clock=clock))
    await probe.observe()
    clock.passed_s += 3600.5
    (loop, _) = await probe.observe()
    await probe.close()
    assert isinstance(loop, Condition)
    assert loop.facts == (("longest delay", "500 ms"),)
    assert not loop.ok


async def test_nothing_is_left_after_close(bench: ProbeContext, monkeypatch: pytest.MonkeyPatch) -> None:
    """After close() the event loop is not asked any more; closing twice, or before the first look, is no error."""
    monkeypatch.setattr(self_check, "BEAT_S", 0.01)
    probe = SelfCheckProbe(SelfCheckSettings(), bench)
    await probe.close()
    await probe.observe()
    await probe.close()
    due_s = probe._due_s
    await asyncio.sleep(0.05)
    assert probe._due_s == due_s
    await probe.close()


def _moved(source: str, days_ago: float, about: str) -> Quarantined:
    return Quarantined(source, "1", NOW - timedelta(days=days_ago), "its checksum does not match", about)


async def test_stored_rows_that_were_damaged(bench: ProbeContext, tmp_path: Path) -> None:
    """For a week after the newest it is an alarm that names them, messages first, and says how it ends."""
    asked: list[tuple[datetime, datetime]] = []
    moved = [_moved("journal", 1, "a line of the journal"), _moved("outbox", 2, "a message for mail")]

    async def quarantined(since: datetime, until: datetime) -> Sequence[Quarantined]:
        asked.append((since, until))
        return moved

    path = tmp_path / "watchkeeper.db"
    own = replace(bench, database=OwnDatabase(path, 8000, list, quarantined))
    probe = SelfCheckProbe(SelfCheckSettings(), own)
    *_, rows = await probe.observe()
    assert isinstance(rows, Condition)
    assert (rows.key, rows.ok, rows.grave) == (SeriesKey("watchkeeper", "stored rows"), False, True)
    assert "2 stored rows were damaged" in rows.reason
    assert "a message for mail; a line of the journal. Check the disk" in rows.reason
    assert f"it ends on {moved[0].found_at + timedelta(days=7):%Y-%m-%d}" in rows.reason
    assert asked[0][1] - asked[0][0] == timedelta(days=7)
    moved.clear()
    *_, rows = await probe.observe()
    assert rows == Condition(SeriesKey("watchkeeper", "stored rows"), ok=True)
    await probe.close()


async def test_stored_rows_that_cannot_be_asked_for(bench: ProbeContext, tmp_path: Path) -> None:
    """That is no evidence that all is well, and does not cost the other observations."""

    async def quarantined(_since: datetime, _until: datetime) -> Sequence[Quarantined]:
        raise StoreDamaged("page 7 is broken")

    own = replace(bench, database=OwnDatabase(tmp_path / "watchkeeper.db", 8000, list, quarantined))
    probe = SelfCheckProbe(SelfCheckSettings(), own)
    *_, whole, rows = await probe.observe()
    assert isinstance(rows, Condition)
    assert isinstance(whole, Condition)
    assert whole.ok
    assert not rows.ok
    assert rows.reason == "cannot tell whether stored rows are damaged: page 7 is broken"
    await probe.close()


async def test_the_database_against_its_bound(bench: ProbeContext, tmp_path: Path) -> None:
    """Its size, with what is not yet taken into it, is a level; a damaged one beside it is told until it is moved."""
    path, aside = tmp_path / "watchkeeper.db", tmp_path / "watchkeeper.db.damaged-20260301T063000Z"
    path.write_bytes(bytes(5000))
    path.with_name("watchkeeper.db-wal").write_bytes(bytes(300))
    damaged = [aside]
    own = replace(bench, database=OwnDatabase(path, 8000, lambda: damaged))
    probe = SelfCheckProbe(SelfCheckSettings(), own)
    *_, size, whole = await probe.observe()
    assert isinstance(size, Level)
    assert (size.key, size.used, size.capacity) == (SeriesKey("watchkeeper", "database size"), 5300, 8000)
    assert isinstance(whole, Condition)
    assert (whole.ok, whole.grave) == (False, True)
    assert str(aside) in whole.reason
    damaged.clear()
    *_, whole = await probe.observe()
    assert whole == Condition(SeriesKey("watchkeeper", "database file"), ok=True)
    await probe.close()
