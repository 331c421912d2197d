"""The probe `backups`: one condition for all guests without a backup, one for those with theirs on their own store."""

import os
from datetime import timedelta
from pathlib import Path

import pytest

from tests.inventory.places import NOW, fixed, known, mounted
from watchkeeper.config.types import ProbeSettings
from watchkeeper.inventory import copies, scan
from watchkeeper.inventory.host_backups import HostBackups
from watchkeeper.model.observation import Condition, Observed, SeriesKey, Unseen
from watchkeeper.planning.host_state import Disk, GuestNow, HostNow, StoreKind, StoreNow
from watchkeeper.probes.base import Probe, ProbeContext
from watchkeeper.probes.own.backups import BackupsProbe, BackupsSettings
from watchkeeper.probes.registry import make_probe
from watchkeeper.probes.support.workers import ThreadWorkers

POOL = SeriesKey("pool skerry", "space")
GUESTS: dict[str, object] = {"kind": "guests", "sockets": ["/run/guests/*.qmp"]}


class House:
    """A host with guests on a pool, the folder of a backup, and the configuration in use."""

    def __init__(self, folder: Path, workers: ThreadWorkers) -> None:
        self.folder, self.probes = folder, [GUESTS]
        self.names: tuple[str, ...] = ("hide-hub", "tide-log")
        self.unseen: tuple[str, ...] = ()
        self.context = fixed(workers)
        self.backups: HostBackups | None = HostBackups(lambda: known(*self.probes))

    def seen(self) -> HostNow:
        """The host as planning sees it."""
        pool = StoreNow(POOL, StoreKind.ZFS, 2**39, 2**40)
        guests = [
            GuestNow(each, True, disks=(Disk(f"/dev/zvol/skerry/{each}", 2**35, POOL, f"skerry/{each}"),))
            for each in self.names
        ]
        return HostNow(NOW, 2**34, 2**33, 4, (pool,), tuple(guests), self.unseen)

    def backed_up(self, *guests: str) -> None:
        """A file of an hour ago is the backup of these guests."""
        made = self.folder / "all.img"
        made.write_bytes(b"image")
        os.utime(made, ((NOW - timedelta(hours=1)).timestamp(),) * 2)
        files: dict[str, object] = {
            "kind": "snapshots",
            "name": "all",
            "files": [str(made)],
            "max_age": "26h",
            "backup_of": list(guests),
        }
        self.probes = [GUESTS, files]

    async def observed(self, **given: object) -> list[Observed]:
        """One run of the probe."""
        context = ProbeContext(self.context.clock, self.context.workers, backups=self.backups)
        return list(await BackupsProbe(BackupsSettings.model_validate(given), context).observe())

    async def conditions(self, **given: object) -> tuple[Condition, Condition]:
        """Both conditions of one run."""
        exists, placed = await self.observed(**given)
        assert isinstance(exists, Condition)
        assert isinstance(placed, Condition)
        return exists, placed


@pytest.fixture
def house(tmp_path: Path, workers: ThreadWorkers, monkeypatch: pytest.MonkeyPatch) -> House:
    """The folder of the test is on a disk of its own."""
    mounted(tmp_path, (str(tmp_path), "ext4", "/dev/sdz1"))
    monkeypatch.setattr(copies, "MOUNTS", tmp_path / "mountinfo")
    found = House(tmp_path, workers)

    async def look(*_: object) -> HostNow:
        return found.seen()

    monkeypatch.setattr(scan, "look", look)
    return found


async def test_every_guest_has_a_backup_elsewhere(house: House) -> None:
    """Both conditions are OK, with what each guest has."""
    house.backed_up("*")
    exists, placed = await house.conditions()
    assert (exists.ok, exists.reason, placed.ok, placed.reason) == (True, "", True, "")
    assert dict(exists.facts) == {"hide-hub": "backup", "tide-log": "backup"}


async def test_a_probe_of_backups_runs_once_for_all_guests(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """A set of 20,000 files is not listed again for each guest."""
    made: list[str] = []

    def counted(settings: ProbeSettings, context: ProbeContext) -> Probe:
        made.append(settings.label)
        return make_probe(settings, context)

    monkeypatch.setattr(copies, "make_probe", counted)
    house.backed_up("*")
    exists, _ = await house.conditions()
    assert exists.ok
    assert made == ["all"]


async def test_guests_without_one_are_one_condition(house: House) -> None:
    """Not one for each guest; the reason names them and the remedy; an excluded one is not named."""
    exists, placed = await house.conditions()
    assert not exists.ok
    assert exists.reason.startswith(
        "guests hide-hub and tide-log have no backup that is known: name the guest in backup_of"
    )
    assert placed.ok
    house.backed_up("hide-hub")
    exists, _ = await house.conditions()
    assert exists.reason.startswith("guest tide-log has no backup that is known: ")
    exists, _ = await house.conditions(exclude=["tide-*"])
    assert exists.ok
    house.names = tuple(f"guest-{n:02}" for n in range(10))
    exists, _ = await house.conditions()
    assert "guest-06, guest-07 and 2 more have no backup" in exists.reason


async def test_a_backup_on_the_pool_of_the_disks(house: House) -> None:
    """It is lost together with them; it exists, so the other condition is OK."""
    house.backed_up("*")
    mounted(house.folder, (str(house.folder), "zfs", "skerry/backup"))
    house.names = ("tide-log",)
    exists, placed = await house.conditions()
    assert exists.ok
    assert placed.reason == "guest tide-log has backups on its own store only: both are lost together"


async def test_what_is_not_known_is_not_called_a_missing_backup(house: House) -> None:
    """A pool that could not be read may hold a copy; without a guest there is no condition."""
    house.unseen = ("ZFS: no helper", "guest spare: it is not running, and its disks were never seen")
    exists, _, spare, hub, log = await house.observed()
    assert isinstance(exists, Condition)
    assert exists.ok
    assert spare == Unseen("backups of guests", house.unseen[1])
    assert isinstance(hub, Unseen)
    assert isinstance(log, Unseen)
    assert hub.what == "backups of guests: hide-hub"
    house.names = ()
    assert await house.observed() == [spare]
    house.unseen = ()
    assert await house.observed() == []


async def test_without_a_probe_of_guests_the_host_is_not_read(house: House) -> None:
    """Then there is nothing to compare; where nothing can compare, that is said."""
    house.probes = []
    assert await house.observed() == []
    house.backups = None
    (alone,) = await house.observed()
    assert isinstance(alone, Unseen)
