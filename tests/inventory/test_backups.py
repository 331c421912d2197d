"""Copies of guests, looked for in real files, job reports and the snapshots of pools."""

import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from tests.inventory.places import NOW, fixed, known, mounted
from watchkeeper.inventory import backups as module
from watchkeeper.inventory import copies
from watchkeeper.inventory.storage import storage_stack
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.probe_state import JobReport, LastJobReports, MemoryJobReports, MemoryStateStore, restore_of
from watchkeeper.planning.backups import BackupsAnswer, Coverage, GuestBackup
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow, Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.probes.verification.checked import Checked, SetChecked
from watchkeeper.probes.verification.outcomes import Verdict

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
SKERRY, LEDGE, SRV = (SeriesKey(name, "space") for name in ("pool skerry", "pool ledge", "file system /srv"))


def guest(name: str, *parts: str) -> GuestNow:
    """A guest whose disks are volumes of the pool."""
    names = [name, *(f"{name}-{part}" for part in parts)]
    return GuestNow(name, disks=tuple(Disk(f"/dev/zvol/skerry/{n}", 1, SKERRY, f"skerry/{n}") for n in names))


def host(*guests: GuestNow, unseen: tuple[str, ...] = ()) -> HostNow:
    """Gannet with two pools; ledge received a snapshot of nest-cams."""
    taken = (Snapshot("skerry/nest-cams", "daily-1", NOW - DAY), Snapshot("skerry/nest-cams", "daily-0", NOW - HOUR))
    received = (Snapshot("ledge/in/nest-cams", "daily-1", NOW - DAY),)
    stores = (
        StoreNow(SKERRY, StoreKind.ZFS, 1, 10, (), taken),
        StoreNow(LEDGE, StoreKind.ZFS, 1, 10, (), received),
        StoreNow(SRV, StoreKind.FILES, 1, 10),
    )
    return HostNow(NOW, 2**34, 2**33, 4, stores, guests, unseen)


class Nightly:
    """A job that reported success an hour ago."""

    async def last(self, job: str) -> LastJobReports:
        if job.startswith("restore of"):
            return LastJobReports()
        return LastJobReports(JobReport(job, NOW - HOUR, failed=False), None)

    async def record(self, report: JobReport) -> None:
        raise AssertionError(f"looking for backups reported {report}")


@pytest.fixture
def bench(tmp_path: Path, workers: ThreadWorkers, monkeypatch: pytest.MonkeyPatch) -> ProbeContext:
    """Mounts of a folder."""
    mounted(tmp_path, (str(tmp_path / "away"), "ext4", "/dev/sdz1"))
    monkeypatch.setattr(copies, "MOUNTS", tmp_path / "mountinfo")
    return replace(fixed(workers), job_reports=Nightly())


async def ask(bench: ProbeContext, seen: HostNow, *probes: dict[str, object]) -> BackupsAnswer:
    """All guests."""
    return await module.backups(known(*probes), seen, bench)


def by_name(answer: BackupsAnswer) -> dict[str, GuestBackup]:
    """Guests by name."""
    return {each.name: each for each in answer.guests}


def made(path: Path, age: timedelta) -> None:
    """A file of that age."""
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"copy")
    at = (NOW - age).timestamp()
    os.utime(path, (at, at))


def files(folder: Path, **more: object) -> dict[str, object]:
    """A set of files for a guest."""
    return {"kind": "snapshots", "name": "hub", "files": [f"{folder}/*.img"], "max_age": "2d"} | more


async def test_each_place_is_looked_at(bench: ProbeContext, tmp_path: Path) -> None:
    """Files, a job, a replica, and a guest that has nothing: the answer names what was looked at."""
    made(tmp_path / "away/hide-hub-1.img", HOUR)
    made(tmp_path / "away/hide-hub-data-1.img", 5 * DAY)
    seen = host(guest("tide-log"), guest("hide-hub", "data"), guest("ringing-db", "wal"), guest("nest-cams"))
    answer = await ask(
        bench,
        seen,
        files(tmp_path / "away", backup_of=["hide-hub"]),
        {"kind": "job", "name": "nightly", "within": "26h", "backup_of": ["ringing-*"]},
        {"kind": "job", "name": "rotate", "within": "26h"},
    )
    found = by_name(answer)
    assert [each.name for each in answer.guests] == ["hide-hub", "nest-cams", "ringing-db", "tide-log"]
    assert [each.coverage for each in answer.guests] == [Coverage.GOOD] * 3 + [Coverage.NONE]
    assert not answer.good
    assert (
        f"on file system {tmp_path}/away; no recent file is named after hide-hub-data" in found["hide-hub"].reasons[0]
    )
    assert found["ringing-db"].reasons == (
        "nightly: the newest is 1 h old; where it lies is not known; its job does not say which disks it has",
    )
    assert found["nest-cams"].newest_at == NOW - DAY
    assert "23 h behind the newest snapshot" in found["nest-cams"].reasons[0]
    (reason,) = found["tide-log"].reasons
    assert reason == (
        "none found in: probes with backup_of (2); received datasets on pool skerry, pool ledge; "
        "not counted, without backup_of: rotate"
    )


async def test_a_set_of_the_guests_own_name(bench: ProbeContext, tmp_path: Path) -> None:
    """It counts without backup_of; an old one does not, and one that cannot be read says why."""
    made(tmp_path / "away/1.img", HOUR)
    (found,) = (await ask(bench, host(guest("hub")), files(tmp_path / "away"))).guests
    assert found.coverage is Coverage.GOOD
    made(tmp_path / "away/1.img", 5 * DAY)
    (found,) = (await ask(bench, host(guest("hub")), files(tmp_path / "away"))).guests
    assert (found.coverage, found.newest_at) == (Coverage.BAD, None)


async def test_a_newest_file_that_is_a_stub(bench: ProbeContext, tmp_path: Path) -> None:
    """It is no backup, whatever its age; the last good one is the file before it."""
    for n in range(6):
        path = tmp_path / f"away/hub-{n}.img"
        made(path, (6 - n) * DAY)
        path.write_bytes(b"copy" * (1 if n == 5 else 5_000))
        at = (NOW - (6 - n) * DAY).timestamp()
        os.utime(path, (at, at))
    (found,) = (await ask(bench, host(guest("hub")), files(tmp_path / "away"))).guests
    assert found.coverage is Coverage.BAD
    assert "the newest file, hub-5.img, is far smaller than all before it (4 B, the one before" in found.reasons[0]
    assert "the last good one is 2 days old" in found.reasons[0]


async def test_what_was_read_of_it_and_when_it_was_restored(bench: ProbeContext, tmp_path: Path) -> None:
    """A damaged newest file is no backup; the last proven restore is named with its date."""
    made(tmp_path / "away/hub-1.gz", HOUR)
    probe = files(tmp_path / "away", files=[f"{tmp_path}/away/*.gz"])
    path, at_s = str(tmp_path / "away/hub-1.gz"), (NOW - HOUR).timestamp()
    read = Checked(path=path, size=4, written_s=at_s, at_s=at_s, verdict=Verdict.WHOLE, formats=("gzip",))
    reports = MemoryJobReports()
    await reports.record(JobReport(restore_of("hub"), NOW - 40 * DAY))
    bench = replace(bench, probe_states=MemoryStateStore(), job_reports=reports)
    await bench.probe_states.write("hub", SetChecked(series={"/a": read}).model_dump_json())
    (found,) = (await ask(bench, host(guest("hub")), probe)).guests
    assert found.coverage is Coverage.GOOD
    assert found.copies[0].restored_at == NOW - 40 * DAY
    assert found.reasons[0].endswith("; hub-1.gz, read 2026-12-01: whole (gzip); last proven restore 2026-10-22")
    broken = read.model_copy(update={"verdict": Verdict.DAMAGED, "detail": "gzip: unexpected end of file"})
    await bench.probe_states.write("hub", SetChecked(series={"/a": broken}).model_dump_json())
    (found,) = (await ask(bench, host(guest("hub")), probe)).guests
    assert found.coverage is Coverage.BAD
    assert "hub-1.gz is damaged: gzip: unexpected end of file" in found.reasons[0]


async def test_a_copy_on_the_same_single_disk(
    bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another file system of the same disk is lost with it; one of a mirror may outlive the other."""
    made(tmp_path / "away/1.img", HOUR)
    own = GuestNow("hub", disks=(Disk("/srv/hub.img", 1, SRV, "/srv/hub.img"),))
    for disks, coverage in (({"sda"}, Coverage.SHARED), ({"sda", "sdb"}, Coverage.GOOD)):
        monkeypatch.setattr(storage_stack, "devices", lambda *_, disks=disks: disks)
        (found,) = (await ask(bench, host(own), files(tmp_path / "away"))).guests
        assert found.coverage is coverage
        assert found.copies[0].on[-1] == f"disk {max(disks)}"


async def test_a_place_that_was_not_seen(bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without ZFS nobody can tell; a file list that is too long is named with the copy."""
    (found,) = (await ask(bench, host(guest("tide-log"), unseen=("ZFS: no answer",)))).guests
    assert found.coverage is Coverage.UNKNOWN
    made(tmp_path / "away/1.img", HOUR)
    made(tmp_path / "away/2.img", HOUR)
    monkeypatch.setattr("watchkeeper.probes.storage.snapshot_files.FILES_LIMIT", 1)
    (found,) = (await ask(bench, host(guest("hub")), files(tmp_path / "away"))).guests
    assert found.coverage is Coverage.UNKNOWN
    assert "it has never been made" not in found.reasons[0]
    assert "matches more than 1 files" in found.reasons[0]


async def test_volumes_and_stores(bench: ProbeContext, tmp_path: Path) -> None:
    """Each is named by what it is; `*` is all guests and nothing else. A store counts by what is on it."""
    made(tmp_path / "away/hide-hub-1.img", HOUR)
    volumes = tuple(
        GuestNow(name, disks=(Disk(f"{tmp_path}/{name[-3:]}", store=SRV),))
        for name in ("volume hub-data", "folder /a/b")
    )
    on_it = tuple(Volume(f"skerry/{name}", 1, 2**30) for name in ("hide-hub", "nest-cams", "archive"))
    seen = host(guest("hide-hub"))
    pool = replace(seen.stores[0], volumes=(*on_it, Volume("skerry", 1, 4096)))
    seen = replace(seen, stores=(pool, *seen.stores[1:]), volumes=volumes)
    answer = await ask(
        bench,
        seen,
        files(tmp_path / "away", backup_of=["*"]),
        {"kind": "job", "name": "nightly", "within": "26h", "backup_of": ["volume hub-*", "pool ledge"]},
    )
    of_volumes = {each.name: each for each in answer.volumes}
    assert of_volumes["volume hub-data"].coverage is Coverage.GOOD
    assert of_volumes["volume hub-data"].disks == (f"{tmp_path}/ata",)
    assert of_volumes["folder /a/b"].coverage is Coverage.NONE
    stores = {each.name: each for each in answer.stores}
    assert [(name, each.coverage) for name, each in stores.items()] == [
        ("pool skerry", Coverage.PART),
        ("pool ledge", Coverage.GOOD),
        ("file system /srv", Coverage.NONE),
    ]
    assert stores["pool skerry"].reasons == (
        "skerry/hide-hub: in the backup of guest hide-hub",
        "skerry/nest-cams: replica on pool ledge",
        "without a good backup: skerry/archive",
    )
    assert stores["pool ledge"].reasons[0].startswith("nightly: the newest is 1 h old")
    assert answer.good, "guests decide: nobody has said that a store needs a backup of its own"
