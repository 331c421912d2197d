"""What `reclaim` forecasts is what is freed: the test asks about snapshots on stores of its own, then deletes them.

The stores are on files and in space that the layout leaves. They come and go while the daemon is stopped, which would
report a pool that disappears.
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
"""By how much a store's own metadata may change while something is deleted."""


@pytest.fixture(scope="module", autouse=True)
def daemon_stopped(station: Station) -> Iterator[None]:
    """The daemon is stopped while the stores exist."""
    with station.daemon_stopped():
        try:
            yield
        finally:
            station.machine.run(AWAY)


def reclaim(station: Station, *names: str, user: str = "root") -> Any:
    """What `reclaim` reports of the one store of these snapshots."""
    words = " ".join(f"'{name}'" for name in names)
    said = station.machine.run(
        f"cd / && runuser -u {user} -- {PROGRAM} --config {CONFIG} reclaim --json {words}", timeout_s=300
    )
    (store,) = json.loads(said)["stores"]
    return store


def used(station: Station, name: str) -> int:
    """What ZFS shows as used, after everything that was deleted is freed."""
    command = f"zpool sync gauge; zpool wait -t free gauge; zpool sync gauge; zfs get -Hp -o value used {name}"
    return int(station.machine.run(command))


@pytest.fixture(scope="module")
def pool(station: Station) -> Station:
    """A pool with a dataset with eight snapshots and a reserved volume with two."""
    station.machine.run(POOL, timeout_s=300)
    return station


@pytest.mark.parametrize(
    "numbers", [(2,), (4, 5), (1, 3), (6, 7)], ids=["one", "neighbours", "apart", "neighbours again"]
)
def test_a_dry_run_of_zfs_is_exact_to_the_byte(pool: Station, numbers: tuple[int, ...]) -> None:
    """A user without rights asks, root destroys: the dataset uses that much less, and so does the pool."""
    names = [f"gauge/hide-hub@hourly-{number}" for number in numbers]
    listed = pool.machine.run("zfs list -Hp -t snapshot -o name,guid -r gauge")
    answer = reclaim(pool, *names, user="keeper")
    assert pool.machine.run("zfs list -Hp -t snapshot -o name,guid -r gauge") == listed
    assert answer["frees"]["exact"], answer["frees"]["reasons"]
    forecast = answer["frees"]["min_bytes"]
    before, whole = used(pool, "gauge/hide-hub"), used(pool, "gauge")
    for name in names:
        pool.machine.run(f"zfs destroy {name}")
    fell, fell_whole = before - used(pool, "gauge/hide-hub"), whole - used(pool, "gauge")
    pool.note(f"reclaim, zfs: {len(names)} snapshots: forecast {forecast}, actually {fell} (the pool: {fell_whole})")
    assert fell == forecast
    assert abs(fell_whole - forecast) < OWN_BYTES


def test_what_zfs_cannot_destroy_is_reported(pool: Station) -> None:
    """A hold and a clone: both are reported, and deleting them fails as reported."""
    pool.machine.run("zfs hold keep gauge/hide-hub@hourly-8; zfs clone gauge/ringing-db@before gauge/trial")
    answer = reclaim(pool, "gauge/*@*", user="keeper")
    why = {each["name"]: each["reason"] for each in answer["cannot_be_deleted"]}
    assert why == {
        "gauge/hide-hub@hourly-8": "it has a hold (1): see zfs holds and zfs release",
        "gauge/ringing-db@before": "a clone depends on it: gauge/trial",
    }
    assert not pool.machine.works("zfs destroy gauge/hide-hub@hourly-8")
    assert not pool.machine.works("zfs destroy gauge/ringing-db@before")
    pool.machine.run("zfs release keep gauge/hide-hub@hourly-8; zfs destroy gauge/trial")


def test_space_reserved_for_a_volume_is_freed(pool: Station) -> None:
    """Without its snapshots a volume needs less reserved space: the pool gets back more than a dry run shows."""
    answer = reclaim(pool, "gauge/ringing-db@*", user="keeper")["frees"]
    assert answer["exact"], answer["reasons"]
    assert answer["from_reservation"]["min_bytes"] > 0
    before = used(pool, "gauge/ringing-db")
    pool.machine.run("zfs destroy gauge/ringing-db@before,after")
    fell = before - used(pool, "gauge/ringing-db")
    pool.note(f"reclaim, zfs volume: forecast {answer['min_bytes']}, actually {fell}")
    assert fell == answer["min_bytes"]


def test_thin_snapshots_free_within_their_bounds(station: Station) -> None:
    """Two of three snapshots: the pool's usage falls by an amount within the reported bounds."""
    machine = station.machine
    machine.run(THIN, timeout_s=300)
    names = ("jetty/tide-log-1", "jetty/tide-log-2")
    answer = reclaim(station, *names)["frees"]

    def held() -> int:
        fields = machine.run("dmsetup status jetty-gauge-tpool").split()
        chunks, _ = fields[5].split("/")
        return int(chunks) * 65_536

    before = held()
    machine.run(f"lvremove -qq -y {' '.join(names)}")
    fell = before - held()
    station.note(f"reclaim, thin: forecast {answer['min_bytes']} to {answer['max_bytes']}, actually {fell}")
    assert answer["min_bytes"] <= fell <= answer["max_bytes"]


def test_a_btrfs_with_quotas(station: Station) -> None:
    """One snapshot frees what its quota group has exclusively; two free an amount within the reported bounds."""
    machine = station.machine
    machine.run(BTRFS, timeout_s=300)

    def held() -> int:
        tables = "/sys/fs/btrfs/$(findmnt -no UUID /srv/gauge)/allocation"
        return sum(map(int, machine.run(f"cat {tables}/*data/bytes_used").split()))

    def forecast(*names: str) -> tuple[int, int, int]:
        answer = reclaim(station, *names)["frees"]
        before = held()
        for name in names:
            machine.run(f"btrfs -q subvolume delete -c {name}")
        machine.run("btrfs subvolume sync /srv/gauge; sync -f /srv/gauge; sync -f /srv/gauge", timeout_s=300)
        return answer["min_bytes"], answer["max_bytes"], before - held()

    least, most, fell = forecast("/srv/gauge/book-2")
    station.note(f"reclaim, btrfs, one: forecast {least}, actually {fell}")
    assert least == most
    assert least >= 4 * 2**20  # its page
    assert abs(fell - least) < OWN_BYTES
    least, most, fell = forecast("/srv/gauge/book-1", "/srv/gauge/book-3")
    station.note(f"reclaim, btrfs, two: forecast {least} to {most}, actually {fell}")
    assert least - OWN_BYTES < fell < most + OWN_BYTES
