"""What `reclaim` foretold comes free: the test deletes for real, on stores of its own, what was asked about before.

The stores lie on files and in room that the layout leaves. They come and go while the daemon is stopped: a pool that
goes away would be told.
"""

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.host.station import CONFIG, PROGRAM, Station

pytestmark = pytest.mark.host

POOL = """
set -euo pipefail
truncate -s 512M /var/tmp/gauge.img
zpool create -f -o cachefile=none -O compression=off -O recordsize=128k -O atime=off -m /gauge gauge /var/tmp/gauge.img
zfs create gauge/hide-hub
dd if=/dev/urandom of=/gauge/hide-hub/book bs=1M count=16 status=none
for number in 1 2 3 4 5 6 7 8; do
    zpool sync gauge
    zfs snapshot gauge/hide-hub@hourly-$number
    dd if=/dev/urandom of=/gauge/hide-hub/book bs=512k count=5 seek=$((number * 3 % 24)) conv=notrunc,fsync status=none
done
zfs create -V 32M gauge/ringing-db
udevadm settle
for name in before after; do
    dd if=/dev/urandom of=/dev/zvol/gauge/ringing-db bs=1M count=8 oflag=direct status=none
    zfs snapshot gauge/ringing-db@$name
done
dd if=/dev/urandom of=/dev/zvol/gauge/ringing-db bs=1M count=2 oflag=direct status=none
zpool sync gauge
"""

THIN = """
set -euo pipefail
lvcreate -qq -y -L 200M --chunksize 64k -Zn -T jetty/gauge
lvcreate -qq -y -V 96M -T jetty/gauge -n tide-log 2>/dev/null
for number in 1 2 3; do
    dd if=/dev/urandom of=/dev/jetty/tide-log bs=1M count=$((40 - 10 * number)) oflag=direct status=none
    lvcreate -qq -y -s -kn -n tide-log-$number jetty/tide-log 2>/dev/null
done
dd if=/dev/urandom of=/dev/jetty/tide-log bs=1M count=5 oflag=direct status=none
"""

BTRFS = """
set -euo pipefail
truncate -s 512M /var/tmp/gauge-btrfs.img
mkfs.btrfs -q -f /var/tmp/gauge-btrfs.img 2>/dev/null
mkdir -p /srv/gauge
mount -o loop /var/tmp/gauge-btrfs.img /srv/gauge
btrfs quota enable /srv/gauge
btrfs -q subvolume create /srv/gauge/book
dd if=/dev/urandom of=/srv/gauge/book/ledger bs=1M count=5 status=none
for number in 1 2 3; do
    dd if=/dev/urandom of=/srv/gauge/book/page-$number bs=1M count=$((2 * number)) status=none
    btrfs -q subvolume snapshot -r /srv/gauge/book /srv/gauge/book-$number
    rm /srv/gauge/book/page-$number
done
rm /srv/gauge/book/ledger
sync -f /srv/gauge
btrfs -q quota rescan -w /srv/gauge
"""

AWAY = """
zpool destroy gauge; lvremove -qq -y jetty/gauge
umount /srv/gauge; losetup -j /var/tmp/gauge-btrfs.img | cut -d: -f1 | xargs -r losetup -d
rm -rf /var/tmp/gauge.img /var/tmp/gauge-btrfs.img /srv/gauge
! zpool list gauge 2>/dev/null && ! lvs jetty/gauge 2>/dev/null && ! mountpoint -q /srv/gauge
"""

OWN_BYTES = 2**20
"""What a store's own book-keeping may change by while something is deleted."""


@pytest.fixture(scope="module", autouse=True)
def asleep(station: Station) -> Iterator[None]:
    """Nobody watches while the stores are there."""
    with station.asleep():
        try:
            yield
        finally:
            station.machine.run(AWAY)


def reclaim(station: Station, *names: str, user: str = "root") -> Any:
    """What is answered about these snapshots: the one store."""
    words = " ".join(f"'{name}'" for name in names)
    said = station.machine.run(
        f"cd / && runuser -u {user} -- {PROGRAM} --config {CONFIG} reclaim --json {words}", timeout_s=300
    )
    (store,) = json.loads(said)["stores"]
    return store


def used(station: Station, name: str) -> int:
    """What ZFS says that something uses, once all that was freed is free."""
    command = f"zpool sync gauge; zpool wait -t free gauge; zpool sync gauge; zfs get -Hp -o value used {name}"
    return int(station.machine.run(command))


@pytest.fixture(scope="module")
def pool(station: Station) -> Station:
    """A pool with a data set of eight snapshots and a volume of two, with room set aside for it."""
    station.machine.run(POOL, timeout_s=300)
    return station


@pytest.mark.parametrize(
    "numbers", [(2,), (4, 5), (1, 3), (6, 7)], ids=["one", "neighbours", "apart", "neighbours again"]
)
def test_a_dry_run_of_zfs_comes_true_to_the_byte(pool: Station, numbers: tuple[int, ...]) -> None:
    """A user without rights asks, root destroys: the data set uses so much less, and so does the pool."""
    names = [f"gauge/hide-hub@hourly-{number}" for number in numbers]
    listed = pool.machine.run("zfs list -Hp -t snapshot -o name,guid -r gauge")
    told = reclaim(pool, *names, user="keeper")
    assert pool.machine.run("zfs list -Hp -t snapshot -o name,guid -r gauge") == listed
    assert told["together"]["exact"], told["together"]["why"]
    foretold = told["together"]["least_bytes"]
    before, whole = used(pool, "gauge/hide-hub"), used(pool, "gauge")
    for name in names:
        pool.machine.run(f"zfs destroy {name}")
    fell, fell_whole = before - used(pool, "gauge/hide-hub"), whole - used(pool, "gauge")
    pool.note(f"reclaim, zfs: {len(names)} snapshots: told {foretold}, in truth {fell} (the pool: {fell_whole})")
    assert fell == foretold
    assert abs(fell_whole - foretold) < OWN_BYTES


def test_what_zfs_cannot_destroy_is_told(pool: Station) -> None:
    """A hold and a clone: both are told, and the real one fails as was told."""
    pool.machine.run("zfs hold keep gauge/hide-hub@hourly-8; zfs clone gauge/ringing-db@before gauge/trial")
    told = reclaim(pool, "gauge/*@*", user="keeper")
    why = {each["name"]: each["why"] for each in told["cannot_be_deleted"]}
    assert why == {
        "gauge/hide-hub@hourly-8": "it has a hold (1): see zfs holds and zfs release",
        "gauge/ringing-db@before": "a clone depends on it: gauge/trial",
    }
    assert not pool.machine.works("zfs destroy gauge/hide-hub@hourly-8")
    assert not pool.machine.works("zfs destroy gauge/ringing-db@before")
    pool.machine.run("zfs release keep gauge/hide-hub@hourly-8; zfs destroy gauge/trial")


def test_room_that_is_set_aside_for_a_volume_comes_back(pool: Station) -> None:
    """Without its snapshots a volume needs less room set aside: the pool gets back what no dry run tells."""
    told = reclaim(pool, "gauge/ringing-db@*", user="keeper")["together"]
    assert told["exact"], told["why"]
    assert told["set_aside"]["least_bytes"] > 0
    before = used(pool, "gauge/ringing-db")
    pool.machine.run("zfs destroy gauge/ringing-db@before,after")
    fell = before - used(pool, "gauge/ringing-db")
    pool.note(f"reclaim, zfs volume: told {told['least_bytes']}, in truth {fell}")
    assert fell == told["least_bytes"]


def test_thin_snapshots_free_within_their_bounds(station: Station) -> None:
    """Two of three snapshots: what the pool holds falls by no less and no more than was told."""
    machine = station.machine
    machine.run(THIN, timeout_s=300)
    names = ("jetty/tide-log-1", "jetty/tide-log-2")
    told = reclaim(station, *names)["together"]

    def held() -> int:
        fields = machine.run("dmsetup status jetty-gauge-tpool").split()
        chunks, _ = fields[5].split("/")
        return int(chunks) * 65_536

    before = held()
    machine.run(f"lvremove -qq -y {' '.join(names)}")
    fell = before - held()
    station.note(f"reclaim, thin: told {told['least_bytes']} to {told['most_bytes']}, in truth {fell}")
    assert told["least_bytes"] <= fell <= told["most_bytes"]


def test_a_btrfs_with_quotas(station: Station) -> None:
    """One snapshot frees what its quota group holds alone; two free within their bounds."""
    machine = station.machine
    machine.run(BTRFS, timeout_s=300)

    def held() -> int:
        tables = "/sys/fs/btrfs/$(findmnt -no UUID /srv/gauge)/allocation"
        return sum(map(int, machine.run(f"cat {tables}/*data/bytes_used").split()))

    def foretold(*names: str) -> tuple[int, int, int]:
        told = reclaim(station, *names)["together"]
        before = held()
        for name in names:
            machine.run(f"btrfs -q subvolume delete -c {name}")
        machine.run("btrfs subvolume sync /srv/gauge; sync -f /srv/gauge; sync -f /srv/gauge", timeout_s=300)
        return told["least_bytes"], told["most_bytes"], before - held()

    least, most, fell = foretold("/srv/gauge/book-2")
    station.note(f"reclaim, btrfs, one: told {least}, in truth {fell}")
    assert least == most
    assert least >= 4 * 2**20  # its page
    assert abs(fell - least) < OWN_BYTES
    least, most, fell = foretold("/srv/gauge/book-1", "/srv/gauge/book-3")
    station.note(f"reclaim, btrfs, two: told {least} to {most}, in truth {fell}")
    assert least - OWN_BYTES < fell < most + OWN_BYTES
