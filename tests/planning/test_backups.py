"""What the copies of a guest are worth, and which datasets are replicas of a disk."""

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from watchkeeper.model.observation import SeriesKey
from watchkeeper.planning.backups import (
    BackupsAnswer,
    Coverage,
    GuestBackup,
    GuestCopy,
    disk_name,
    judge,
    judge_store,
    not_named,
    replicas,
    summary,
)
from watchkeeper.planning.copy_sizes import CopyFile, stub
from watchkeeper.planning.host_state import Disk, GuestNow, Snapshot, StoreKind, StoreNow, Volume
from watchkeeper.planning.preflight.decide import Copy

NOW = datetime(2026, 12, 1, 20, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
SKERRY, LEDGE = SeriesKey("pool skerry", "space"), SeriesKey("pool ledge", "space")
ROOT = Disk("/dev/zvol/skerry/hide-hub", 2**30, SKERRY, "skerry/hide-hub")
DATA = Disk("/dev/zvol/skerry/hide-hub-data", 2**30, SKERRY, "skerry/hide-hub-data")
HUB = GuestNow("hide-hub", disks=(ROOT, DATA))
LOOKED = ("probes with backup_of (1)",)


def copy(age: timedelta | None = HOUR, shares: str = "", trouble: str = "") -> Copy:
    """A copy that is due a day after the last one."""
    at = None if age is None else NOW - age
    return Copy("job nightly", at, None if at is None else at + DAY, shares, trouble)


@pytest.mark.parametrize(
    ("copies", "coverage", "reason"),
    [
        ([GuestCopy(copy(), ("disk sdb",))], Coverage.GOOD, "job nightly: the newest is 1 h old; on disk sdb"),
        ([GuestCopy(copy())], Coverage.GOOD, "job nightly: the newest is 1 h old; where it lies is not known"),
        ([GuestCopy(copy(shares="pool skerry"))], Coverage.SHARED, "both are lost together"),
        ([GuestCopy(copy(3 * DAY))], Coverage.BAD, "was due 2 days ago"),
        ([GuestCopy(copy(None))], Coverage.BAD, "it has never been made"),
        ([GuestCopy(copy(None, trouble="no access"))], Coverage.UNKNOWN, "job nightly: no access"),
        ([GuestCopy(copy(trouble="disk full"))], Coverage.BAD, "disk full; the last good one is 1 h old"),
        ([GuestCopy(copy(3 * DAY)), GuestCopy(copy(shares="pool skerry"))], Coverage.BAD, "was due 2 days ago"),
        ([GuestCopy(copy(), lacking=("hide-hub-data",))], Coverage.PART, "it does not have hide-hub-data"),
        ([GuestCopy(copy(), lacking=("hide-hub-data",)), GuestCopy(copy())], Coverage.GOOD, "it does not have"),
        ([GuestCopy(copy(), note="2 h behind")], Coverage.GOOD, "2 h behind"),
    ],
)
def test_what_copies_are_worth(copies: list[GuestCopy], coverage: Coverage, reason: str) -> None:
    """One good copy elsewhere is enough; each copy says what it is worth."""
    found = judge(HUB, copies, NOW, LOOKED, [])
    assert (found.coverage, found.disks) == (coverage, ("hide-hub", "hide-hub-data"))
    assert reason in found.reasons[0]
    assert (found.newest_at is not None) == (coverage in (Coverage.GOOD, Coverage.PART))


def test_a_copy_whose_place_cannot_be_compared() -> None:
    """Of disks that are not known nobody can say that the copy is on another store; a job says so itself."""
    lost = (GuestNow("hide-hub"), GuestNow("hide-hub", disks=(ROOT, replace(DATA, store=None))))
    for guest in lost:
        found = judge(guest, [GuestCopy(copy(), ("disk sdb",))], NOW, LOOKED, [])
        assert (found.coverage, found.newest_at) == (Coverage.UNKNOWN, None)
        assert "cannot tell whether the guest's disks lie there too" in found.reasons[0]
        assert judge(guest, [GuestCopy(copy())], NOW, LOOKED, []).coverage is Coverage.GOOD
        both = [GuestCopy(copy(), ("disk sdb",), ("hide-hub",)), GuestCopy(copy())]
        assert judge(guest, both, NOW, LOOKED, []).coverage is Coverage.GOOD


def test_no_copy_is_claimed_only_of_places_that_were_seen() -> None:
    """Without a copy the places are named; if one could not be seen, nobody can tell."""
    found = judge(HUB, [], NOW, LOOKED, [])
    assert (found.coverage, found.reasons) == (Coverage.NONE, ("none found in: probes with backup_of (1)",))
    found = judge(HUB, [], NOW, LOOKED, ["ZFS: no answer within 20 s"])
    assert found.coverage is Coverage.UNKNOWN
    assert "ZFS: no answer within 20 s" in found.reasons[0]


@pytest.mark.parametrize(
    ("files", "expected"),
    [
        (["hide-hub-2026-12-01.img", "hide-hub-data-2026-12-01.img"], ()),
        (["hide-hub-data-2026-12-01.img"], ("hide-hub",)),
        (["hide-hub-monday.qcow2"], ("hide-hub-data",)),
        (["all-guests.tar", "chide-hub.img", "hide-hubs.img"], ()),
        ([], ()),
    ],
)
def test_disks_that_no_file_is_named_after(files: list[str], expected: tuple[str, ...]) -> None:
    """The longest name in a file's name counts, as a whole word; names that fit no disk say nothing."""
    assert not_named(["hide-hub", "hide-hub-data"], files) == expected


def test_names_of_disks() -> None:
    """A volume's last part, an image without its suffix, or the whole path."""
    disks = (ROOT, Disk("/srv/tide.qcow2"), Disk("/srv/x/", volume="/srv/x/"))
    assert [disk_name(each) for each in disks] == ["hide-hub", "tide", "/srv/x/"]


def pools(*received: Snapshot) -> list[StoreNow]:
    """Two pools: skerry has both disks with three daily snapshots, ledge has what it received."""
    taken = tuple(
        Snapshot(f"skerry/{name}", f"daily-{n}", NOW - n * DAY)
        for name in ("hide-hub", "hide-hub-data")
        for n in (0, 1, 2)
    )
    return [
        StoreNow(SKERRY, StoreKind.ZFS, 1, 10, (), taken),
        StoreNow(LEDGE, StoreKind.ZFS, 1, 10, (), received),
    ]


def test_a_replica_is_known_by_a_common_snapshot() -> None:
    """The newest common one dates it; what is missing and how far it is behind is said."""
    both = [Snapshot(f"ledge/in/{name}", "daily-1", NOW - DAY) for name in ("hide-hub", "hide-hub-data")]
    (found,) = replicas(HUB, pools(*both))
    assert (found.copy.name, found.copy.last_at, found.on) == ("replica on pool ledge", NOW - DAY, ("pool ledge",))
    assert (found.lacking, found.note) == ((), "1 day behind the newest snapshot")
    (found,) = replicas(HUB, pools(Snapshot("ledge/in/hide-hub", "daily-0", NOW), both[0]))
    assert (found.lacking, found.note) == (("hide-hub-data",), "")
    assert judge(HUB, [found], NOW, LOOKED, []).coverage is Coverage.PART


def test_what_is_no_replica() -> None:
    """Another name, another time under the same name, a snapshot of its own, the same pool, disks on no store."""
    other = [
        Snapshot("ledge/in/ringing-db", "daily-1", NOW - DAY),
        Snapshot("ledge/in/hide-hub", "daily-1", NOW - DAY + HOUR),
        Snapshot("ledge/in/hide-hub", "weekly-9", NOW - DAY),
    ]
    assert replicas(HUB, pools(*other)) == []
    good = Snapshot("ledge/in/hide-hub", "daily-1", NOW - DAY)
    assert replicas(GuestNow("hide-hub", disks=(replace(ROOT, store=None, volume=None),)), pools(good)) == []


def test_a_replica_of_which_nobody_states_a_limit() -> None:
    """It is good for a week."""
    (found,) = replicas(HUB, pools(Snapshot("ledge/hide-hub", "daily-2", NOW - 2 * DAY)))
    assert judge(HUB, [found], NOW, LOOKED, []).coverage is Coverage.PART
    assert judge(HUB, [found], NOW + 6 * DAY, LOOKED, []).coverage is Coverage.BAD


def test_the_summary() -> None:
    """In one sentence, with the names of those without."""
    good = GuestBackup("hide-hub", (), Coverage.GOOD, ())
    bad = GuestBackup("tide-log", (), Coverage.NONE, ())

    def answer(*guests: GuestBackup, unseen: tuple[str, ...] = ()) -> BackupsAnswer:
        return BackupsAnswer(NOW, guests, LOOKED, unseen)

    assert summary(answer()) == "There is no guest on this host."
    assert summary(answer(unseen=("guests: no",))) == "No guest could be seen."
    assert summary(answer(good)) == "The guest has a good backup."
    assert summary(answer(good, good)) == "All 2 guests have a good backup."
    assert summary(answer(good, bad)) == "Good backups: 1 of 2 guests. Not: tide-log (no backup)."
    assert [answer().good, answer(unseen=("x",)).good, answer(good).good, answer(good, bad).good] == [1, 0, 1, 0]


def nightly(sizes: list[float], name: str = "hide-hub-{:03}.img") -> list[CopyFile]:
    """One file a night."""
    return [CopyFile(name.format(n), n * 86_400.0, int(size)) for n, size in enumerate(sizes)]


def test_a_stub_is_found() -> None:
    """A file of a header alone, after five of a common size; what came before it is the last good one."""
    found = stub(nightly([8e9, 8.1e9, 8.1e9, 8.2e9, 8.3e9, 20]))
    assert found is not None
    assert [each.name for each in found] == ["hide-hub-005.img", "hide-hub-004.img"]
    assert stub(nightly([8e9, 8.1e9, 8.1e9, 8.2e9, 20])) is None, "four are too few to judge by"
    assert stub(nightly([8e9] * 5 + [20, 8e9])) is None, "only the newest is judged"
    assert stub(nightly([8e9] * 6) + nightly([3e8, 9e6, 4e7, 2e8, 8e7, 0], "hide-hub-{:03}.inc")) is not None
    assert stub(nightly([0] * 7)) is None


def test_a_year_of_ordinary_nights_is_quiet() -> None:
    """Growth, a half that was deleted, rotation that keeps a fortnight, and incremental copies beside full ones."""
    for seed in range(20):
        draw = random.Random(seed)
        full = [4e9 * (1 + n / 200) * (0.5 if n > 250 else 1) * draw.uniform(0.97, 1.03) for n in range(365)]
        part = [6e7 * draw.lognormvariate(0, 1) for _ in range(365)]
        files = [nightly(full), nightly(part, "hide-hub-{:03}.inc")]
        said = [n for n in range(365) if stub([each for kind in files for each in kind[max(n - 14, 0) : n + 1]])]
        assert said == [], seed


def store(kind: StoreKind, *names: str, snapshots: tuple[Snapshot, ...] = ()) -> StoreNow:
    """A store with these volumes, and a dataset that only holds others."""
    volumes = (*(Volume(name, 2**30, 2**29) for name in names), Volume("skerry", None, 4096), Volume("skerry/x"))
    return StoreNow(SKERRY, kind, 1, 10, volumes[: len(names) + 1], snapshots)


OF_HUB = GuestBackup("hide-hub", (), Coverage.GOOD, (), newest_at=NOW - DAY)
AT = (NOW, LOOKED, ())


@pytest.mark.parametrize(
    ("kind", "names", "backup", "coverage", "reason"),
    [
        (
            StoreKind.ZFS,
            ("skerry/hide-hub",),
            OF_HUB,
            Coverage.GOOD,
            "skerry/hide-hub: in the backup of guest hide-hub",
        ),
        (StoreKind.ZFS, ("skerry/hide-hub", "skerry/b"), OF_HUB, Coverage.PART, "without a good backup: skerry/b"),
        (StoreKind.FILES, ("skerry/hide-hub",), OF_HUB, Coverage.UNKNOWN, "what else is on it is not known"),
        (StoreKind.FILES, ("skerry/hide-hub", "b"), OF_HUB, Coverage.PART, "what else is on it is not known"),
        (StoreKind.ZFS, ("skerry/hide-hub",), replace(OF_HUB, coverage=Coverage.BAD), Coverage.NONE, "none found in"),
        (StoreKind.FILES, (), OF_HUB, Coverage.NONE, "none found in: probes with backup_of (1)"),
        (
            StoreKind.ZFS,
            ("skerry/hide-hub",),
            replace(OF_HUB, newest_at=None),
            Coverage.GOOD,
            "skerry/hide-hub: in the",
        ),
    ],
)
def test_a_store_counts_by_what_is_on_it(
    kind: StoreKind, names: tuple[str, ...], backup: GuestBackup, coverage: Coverage, reason: str
) -> None:
    """Guests with a good backup, and never what is not listed."""
    found = judge_store(store(kind, *names), [], [(HUB, backup)], [], AT)
    assert found.coverage is coverage
    assert found.reasons[-1].startswith(reason)
    assert found.disks == names
    known = coverage in (Coverage.GOOD, Coverage.PART, Coverage.UNKNOWN)
    assert found.newest_at == (backup.newest_at if known else None)


def test_a_store_with_a_backup_of_its_own() -> None:
    """It is as good as that; a replica of a dataset counts as well."""
    pool = store(StoreKind.ZFS, "skerry/archive", snapshots=(Snapshot("skerry/archive", "d1", NOW - DAY),))
    found = judge_store(pool, [GuestCopy(copy(), ("disk sdb",))], [], [], AT)
    assert (found.coverage, found.name, found.disks) == (Coverage.GOOD, "pool skerry", ("skerry/archive",))
    other = StoreNow(LEDGE, StoreKind.ZFS, 1, 10, (), (Snapshot("ledge/archive", "d1", NOW - DAY),))
    replica = judge_store(pool, [], [], [pool, other], AT)
    assert (replica.coverage, replica.newest_at) == (Coverage.GOOD, NOW - DAY)
    assert replica.reasons == ("skerry/archive: replica on pool ledge",)
    unseen = judge_store(pool, [], [], [pool], (NOW, LOOKED, ("ZFS: it hangs",)))
    assert unseen.coverage is Coverage.UNKNOWN
