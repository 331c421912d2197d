"""Sets of real files, read by the real program in the background of the probes' own runs."""

import asyncio
import gzip
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil
import pytest

from tests.support.clocks import HandClock
from tests.support.readstore import ReadStoreDouble
from watchkeeper.errors import ProbeError, StoreError
from watchkeeper.model.observation import Condition, Observed, SeriesKey, Unseen
from watchkeeper.model.probe_state import MemoryStateStore
from watchkeeper.model.records import Sample
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.storage.snapshot_files import SnapshotsProbe, SnapshotsSettings
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.probes.verification import reader, sessions
from watchkeeper.probes.verification.late_verifier import LateVerifier

CONTENT, PLAUSIBILITY = (SeriesKey("snapshots of hide-hub", each) for each in ("content", "plausibility"))


EARLIER = set[int]()
"""Children of this process when a test begins."""


class Shelf:
    """A folder of backups, with what the daemon has. An hour passes before anything is looked at."""

    def __init__(self, folder: Path, workers: ThreadWorkers) -> None:
        self.folder, self.store = folder, ReadStoreDouble()
        self.clock = HandClock(datetime.now(UTC) + timedelta(hours=1))
        self.context = ProbeContext(self.clock, workers, MemoryStateStore(), verification=LateVerifier(self.store))

    def probe(self, **more: object) -> SnapshotsProbe:
        """The probe of the folder."""
        given = {"name": "hide-hub", "files": [f"{self.folder}/*"], "max_age": "2d", "backup_of": ["hide-hub"]} | more
        return SnapshotsProbe(SnapshotsSettings.model_validate(given), self.context)

    def put(self, name: str, data: bytes, hours_ago: float = 1.0) -> Path:
        """A backup that was written so long before the clock's time."""
        path = self.folder / name
        path.write_bytes(data)
        at_s = self.clock.now().timestamp() - hours_ago * 3600
        os.utime(path, (at_s, at_s))
        return path

    async def until_read(self, *probes: SnapshotsProbe) -> list[Sequence[Observed]]:
        """Run them every five minutes until nothing is read any more, in two runs: the second has the last result."""
        quiet = 0
        for _ in range(600):
            seen = [await each.observe() for each in probes]
            running = [each for each in children() if each.status() != psutil.STATUS_ZOMBIE]
            waiting = [each for one in seen for each in one if isinstance(each, Unseen) and each.why == "not read yet"]
            quiet = 0 if running or waiting else quiet + 1
            if quiet == 2:
                return seen
            self.clock.advance(300)
            await asyncio.sleep(0.1)
        raise AssertionError("it was not read")


def children() -> list[psutil.Process]:
    """The processes that a test started; those of other tests of this worker, such as a browser, were there before."""
    return [each for each in psutil.Process().children() if each.pid not in EARLIER]


def found(seen: Sequence[Observed], key: SeriesKey) -> Condition:
    """One condition."""
    return next(each for each in seen if isinstance(each, Condition) and each.key == key)


@pytest.fixture
def shelf(tmp_path: Path, workers: ThreadWorkers, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    """An empty one, on a machine without the unit."""
    monkeypatch.setattr(sessions, "SOCKET", tmp_path / "none.sock")
    EARLIER.clear()
    EARLIER.update(each.pid for each in psutil.Process().children())
    return Shelf(tmp_path, workers)


async def test_a_set_from_whole_to_damaged_to_whole(shelf: Shelf) -> None:
    """One run begins, a later one has the result; it is remembered; the file is not read again within a week."""
    probe = shelf.probe()
    shelf.put("hub-1.gz", gzip.compress(os.urandom(3_000_000)), 25)
    first = await probe.observe()
    assert [each.what for each in first if isinstance(each, Unseen)] == ["snapshots of hide-hub: content of hub-1.gz"]
    (child,) = children()
    (seen,) = await shelf.until_read(probe)
    assert found(seen, CONTENT).ok
    assert "hub-1.gz: whole (gzip)" in str(found(seen, CONTENT).facts)
    assert not child.is_running()
    again = shelf.probe()
    assert found(await again.observe(), CONTENT).ok, "it is known after a restart"
    assert not children()
    shelf.put("hub-2.gz", gzip.compress(os.urandom(3_000_000))[:-1000])
    (seen,) = await shelf.until_read(again)
    assert found(seen, CONTENT).reason == "hub-2.gz is damaged: gzip: unexpected end of file at 2.86 MiB"
    shelf.put("hub-3.gz", gzip.compress(os.urandom(3_000_000)), 0.5)
    (seen,) = await shelf.until_read(again)
    assert found(seen, CONTENT).ok
    await again.close()


async def test_it_reads_with_the_lowest_priority_and_ends_with_the_probe(shelf: Shelf) -> None:
    """Idle class for disks, nice 19; when the probe is closed nothing is left."""
    shelf.put("hub-1.gz", gzip.compress(os.urandom(60_000_000), 1))
    probe = shelf.probe()
    await probe.observe()
    (child,) = children()
    for _ in range(300):
        if child.cmdline()[:1] == [sys.executable]:  # nice and ionice have both been replaced by the program
            break
        await asyncio.sleep(0.1)
    assert child.nice() == 19
    assert child.ionice().ioclass == psutil.IOPRIO_CLASS_IDLE
    await probe.close()
    assert not child.is_running()


async def test_one_file_at_a_time_and_each_set_in_its_turn(shelf: Shelf) -> None:
    """Two sets share one reader; a set whose probe is closed leaves it to the other."""
    shelf.put("hub-1.gz", gzip.compress(b"hub" * 9_000))
    shelf.put("log-1.gz", gzip.compress(b"log" * 9_000))
    hub = shelf.probe(files=[f"{shelf.folder}/hub*"])
    log = shelf.probe(name="tide-log", files=[f"{shelf.folder}/log*"])
    await hub.observe()
    await log.observe()
    assert len(children()) == 1
    seen = await shelf.until_read(hub, log)
    assert found(seen[0], CONTENT).ok
    assert found(seen[1], SeriesKey("snapshots of tide-log", "content")).ok
    await hub.close()
    await log.close()


async def test_the_same_copy_while_the_guest_wrote(shelf: Shelf) -> None:
    """The count of the guest's writes decides; a count that started again from zero is not negative."""
    probe, data = shelf.probe(), os.urandom(100_000)
    shelf.put("hub-1.img", data, 49)
    await shelf.until_read(probe)
    shelf.put("hub-2.img", data, 25)
    now_s = shelf.clock.now().timestamp()
    shelf.store.history[SeriesKey("guest hide-hub", "written")] = [
        Sample(now_s - hours * 3600, value, 1e12) for hours, value in ((45, 9e9), (40, 0.0), (30, 2e9))
    ]
    (seen,) = await shelf.until_read(probe)
    assert "while guest hide-hub wrote 1.86 GiB" in found(seen, PLAUSIBILITY).reason
    assert not [each for each in seen if isinstance(each, Condition) and each.key == CONTENT], (
        "a raw image has no check"
    )
    shelf.store.history.clear()
    assert found(await probe.observe(), PLAUSIBILITY).ok
    several = shelf.probe(backup_of=["hide-hub", "tide-log"])
    assert found(await several.observe(), PLAUSIBILITY).ok
    await probe.close()


async def test_a_store_that_cannot_be_read_and_a_program_that_cannot_start(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither hides the age of the backups."""

    async def broken(*_: object) -> Sequence[Sample]:
        raise StoreError("the database cannot be read")

    probe, data = shelf.probe(), os.urandom(100_000)
    shelf.put("hub-1.img", data, 49)
    await shelf.until_read(probe)
    shelf.put("hub-2.img", data, 25)
    monkeypatch.setattr(shelf.store, "samples", broken)
    (seen,) = await shelf.until_read(probe)
    assert not [each for each in seen if isinstance(each, Condition)]

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(sessions, "start", refused)
    shelf.put("hub-3.img", data, 0.5)
    *_, trouble = await probe.observe()
    assert isinstance(trouble, Unseen)
    assert trouble.why == "backups cannot be read: nice cannot be started: Permission denied"
    with pytest.raises(ProbeError):
        reader.Reader("/srv/backup/hub-1.img")


async def test_a_program_that_is_killed_or_prints_nonsense(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is said about the file, and it is tried again the next day."""
    shelf.put("hub-1.gz", gzip.compress(b"hub" * 9_000))
    monkeypatch.setattr(sessions, "GENTLE", ("sh", "-c", 'echo "[1]"; echo nonsense; exit 3'))
    probe = shelf.probe()
    (seen,) = await shelf.until_read(probe)
    (unseen,) = [each for each in seen if isinstance(each, Unseen)]
    assert unseen.why == "the program that reads it ended with status 3"
    monkeypatch.undo()
    shelf.clock.advance(25 * 3600)
    (seen,) = await shelf.until_read(probe)
    assert found(seen, CONTENT).ok
    await probe.close()


async def test_not_where_it_is_switched_off_or_asked_once(shelf: Shelf) -> None:
    """`check_content = false`, and a command that runs the probe once, read nothing."""
    shelf.put("hub-1.gz", gzip.compress(b"hub" * 9_000))
    off = shelf.probe(check_content=False)
    assert len(await off.observe()) == 1
    await off.close()
    shelf.context = replace(shelf.context, verification=None)
    alone = shelf.probe()
    assert len(await alone.observe()) == 1
    await alone.close()
    assert not children()
