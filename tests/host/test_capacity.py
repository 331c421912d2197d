"""What `capacity` forecasts is right: the disk that it was asked about is created on a real pool, and written full.

The bytes are real and time is compressed: a day of the disk and of all others is written in about a second
(inside/days.py). The daily growth in the history, from which the answer comes, and in the simulated days has the same
distribution with other random draws. The stores are on files of their own and are deleted again; the daemon is stopped
meanwhile.

Each test states how much a store may differ from the forecast, and why: SPARE_BYTES, TABLES_SHARE, DAY_D.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import accumulate
from random import Random
from typing import Any, Protocol

import pytest

from tests.host.station import Station

pytestmark = pytest.mark.host(place=1)

MIB, GIB, DAY_S = 2**20, 2**30, 86_400

CONFIG = "/var/lib/wharf/room.toml"
DATABASE = "/var/lib/wharf/room.db"
SETTINGS = f"""
[host]
name = "gannet"
[store]
path = "{DATABASE}"
[[probe]]
kind = "zfs"
[[probe]]
kind = "lvm"
[[probe]]
kind = "guests"
timeout = "30s"
sockets = ["/run/guests/*.qmp"]
"""

SPARE_BYTES = 4 * MIB
"""What a store may need for itself while 1 GiB is written: labels, space maps, the open transaction group."""

TABLES_SHARE = 1 / 32
"""The most that ZFS takes for the tables of a volume's blocks, as `capacity` counts (planning/capacity/space.py)."""

DAY_D = 1.0
"""The disk's bytes of a day are written before all others', so the time at which a store is full is known to a day."""

RECORDED_D, GROWS_BYTES, STRAYS_SHARE = 28, 2 * MIB, 0.25
"""The history: its days, the growth a day, and the variation of the growth as a share (one standard deviation)."""


def daily(seed: int, days: int) -> list[int]:
    """How much all others grow on each day."""
    draws = Random(seed)
    return [max(round(GROWS_BYTES * (1 + STRAYS_SHARE * draws.gauss(0, 1))), 0) for _ in range(days)]


class Store(Protocol):
    """A store of the machine that a test may fill."""

    station: Station
    subject: str
    quantity: str
    tables_share: float

    def make(self, free_bytes: int) -> None:
        """Leave so much free, and nothing on it but what fills the rest."""

    def build(self, name: str, size_bytes: int, *, reserved: bool = False) -> str:
        """Create a disk; returns its device."""

    def measured(self) -> tuple[int, int]:
        """Bytes in use and capacity, by the store's own tool."""

    def promised(self) -> int:
        """What its volumes may hold in total, by the store's own tool."""

    def others(self) -> str:
        """Where everything else writes."""


@dataclass
class ZfsStore:
    """A pool on a sparse file. A dataset's reservation sets how much of it is free."""

    station: Station
    subject: str = "pool wharf"
    quantity: str = "space"
    tables_share: float = TABLES_SHARE

    def make(self, free_bytes: int) -> None:
        """Leave so much free."""
        run = self.station.machine.run
        run("for each in $(zfs list -H -o name -d 1 wharf | grep /); do zfs destroy -r $each; done")
        run("zpool sync wharf; zpool wait -t free wharf; zpool sync wharf; zpool trim -w wharf", 300)
        run("zfs create wharf/others; zfs create wharf/ballast; zpool sync wharf")
        available = int(run("zfs get -Hp -o value available wharf"))
        run(f"zfs set refreservation={available - free_bytes} wharf/ballast; zpool sync wharf")

    def build(self, name: str, size_bytes: int, *, reserved: bool = False) -> str:
        """Create a volume."""
        sparse = "" if reserved else "-s"
        self.station.machine.run(f"zfs create {sparse} -V {size_bytes} wharf/{name} && udevadm settle")
        return f"/dev/zvol/wharf/{name}"

    def measured(self) -> tuple[int, int]:
        """By what the root dataset still has available."""
        said = self.station.machine.run("zpool sync wharf; zfs get -Hp -o value used,available wharf")
        used, available = map(int, said.split())
        return used, used + available

    def promised(self) -> int:
        """The sizes of its volumes; the tests' own reservations are no volumes."""
        return sum(map(int, self.station.machine.run("zfs list -Hp -r -t volume -o volsize wharf").split()))

    def others(self) -> str:
        """A file, which is not part of the disk."""
        return "/wharf/others/logs"


@dataclass
class ThinStore:
    """A thin pool in a volume group on a loop device. Its size sets how much of it is free."""

    station: Station
    subject: str = "thin pool slip/hull"
    quantity: str = "data"
    tables_share: float = 0.0

    BALLAST_BYTES = 128 * MIB

    def make(self, free_bytes: int) -> None:
        """Create a pool of that size, with some data on it. Its writers fail when it is full."""
        mib = (free_bytes + self.BALLAST_BYTES) // MIB
        self.station.machine.run(
            "lvremove -qq -f slip 2>/dev/null; set -e;"
            f"lvcreate -qq -y -L {mib}m --chunksize 64k -Zn --errorwhenfull y -T slip/hull 2>/dev/null;"
            f"lvcreate -qq -y -V {self.BALLAST_BYTES}b -T slip/hull -n ballast 2>/dev/null;"
            "lvcreate -qq -y -V 4g -T slip/hull -n others 2>/dev/null;"
            "dd if=/dev/zero of=/dev/slip/ballast bs=1M oflag=direct status=none || true",
            timeout_s=300,
        )

    def build(self, name: str, size_bytes: int, *, reserved: bool = False) -> str:
        """Create a thin volume, which cannot be reserved."""
        assert not reserved
        self.station.machine.run(f"lvcreate -qq -y -V {size_bytes}b -T slip/hull -n {name} 2>/dev/null")
        return f"/dev/slip/{name}"

    def measured(self) -> tuple[int, int]:
        """By the kernel's count of chunks."""
        chunks = self.station.machine.run("dmsetup status slip-hull-tpool").split()[5].split("/")
        used, total = map(int, chunks)
        return used * 64 * 1024, total * 64 * 1024

    def promised(self) -> int:
        """The sizes of its volumes."""
        command = "lvs --noheadings --units b --nosuffix -o lv_size -S pool_lv=hull slip"
        return sum(map(int, self.station.machine.run(command).split()))

    def others(self) -> str:
        """A volume beside the disk."""
        return "/dev/slip/others"


LAYOUT = """
set -euo pipefail
truncate -s 3G /var/tmp/wharf.img
zpool create -f -o ashift=12 -o cachefile=none -O compression=off -O atime=off -m /wharf wharf /var/tmp/wharf.img
truncate -s 1700M /var/tmp/slip.img
loop=$(losetup --show -f /var/tmp/slip.img)
pvcreate -qq $loop
vgcreate -qq -s 1m slip $loop
"""

AWAY = """
for guest in hide-hub ringing-db; do systemctl stop guest-$guest 2>/dev/null; rm -f /run/guests/$guest.qmp; done
zpool destroy -f wharf
lvremove -qq -f slip; vgremove -qq -f slip
losetup -j /var/tmp/slip.img -O NAME -n | xargs -r losetup -d
rm -rf /var/tmp/wharf.img /var/tmp/slip.img /var/lib/wharf
"""


@pytest.fixture(scope="module")
def stores(station: Station) -> Iterator[Mapping[str, Store]]:
    """A pool and a thin pool, while the daemon is stopped."""
    with station.daemon_stopped():
        station.machine.run(f"{{ {AWAY} }} >/dev/null 2>&1; true")
        station.machine.run(LAYOUT, timeout_s=300)
        station.machine.write(CONFIG, SETTINGS)
        try:
            yield {"zfs": ZfsStore(station), "thin": ThinStore(station)}
        finally:
            station.machine.run(f"{{ {AWAY} }} >/dev/null 2>&1; true", timeout_s=300)


@pytest.fixture(params=["zfs", "thin"])
def store(stores: Mapping[str, Store], request: pytest.FixtureRequest) -> Store:
    """One of them."""
    return stores[request.param]


def record(store: Store, gained: Sequence[int]) -> None:
    """Create an hourly history in which the store has grown by so much on each of these days until now."""
    used, capacity = store.measured()
    until, hours = list(accumulate(gained, initial=0)), 24 * len(gained)
    begun = used - until[-1]
    samples = [(3_600 * hours, float(begun))]
    for hour in range(hours):
        day, part = divmod(hour + 1, 24)
        level = begun + until[day] + (gained[day] * part / 24 if part else 0)
        samples.append((3_600 * (hours - 1 - hour), level))
    levels = [_level(store, store.quantity, capacity, samples)]
    if store.quantity == "data":
        metadata = store.station.machine.run("dmsetup status slip-hull-tpool").split()[4]
        now, most = (int(each) * 4_096 for each in metadata.split("/"))
        levels.append(_level(store, "metadata", most, [(age_s, float(now)) for age_s, _ in samples]))
    store.station.seed({"database": DATABASE, "levels": levels})


def _level(store: Store, quantity: str, capacity: int, samples: Sequence[tuple[int, float]]) -> Mapping[str, object]:
    whose = {"subject": store.subject, "quantity": quantity, "probe": "zfs" if quantity == "space" else "lvm"}
    return whose | {"interval_s": 3_600, "capacity": capacity, "samples": samples}


def ask(store: Store, words: str) -> tuple[int, Any]:
    """Ask about one store: the exit code, and the answer. The command changes nothing on the host."""
    station = store.station
    with unchanged(station):
        code, said = station.run_json(f"capacity {words} --store '{store.subject}'", CONFIG)
    (answer,) = said["stores"]
    assert (answer["subject"], code) == (store.subject, 0 if said["fits"] == "yes" else 1)
    return code, answer


@contextmanager
def unchanged(station: Station) -> Iterator[None]:
    """Fail if a volume, a snapshot, a setting of one, or a mapped device appears, disappears or changes."""
    command = (
        "zfs list -Hp -t all -o name,guid,volsize,refreservation,reservation,quota,createtxg;"
        "lvs -a --noheadings --units b -o lv_full_name,lv_uuid,lv_size,lv_attr,lv_time; dmsetup table"
    )
    before = station.machine.run(command)
    yield
    assert station.machine.run(command) == before


def live(store: Store, writers: Mapping[str, Sequence[int]], first: int, last: int) -> Any:
    """Write what these days bring; returns how far it came. writers: by path, the bytes at the end of each day."""
    days = [{"path": path, "totals": list(totals)} for path, totals in writers.items()]
    store.station.machine.write("/run/days.json", json.dumps({"first": first, "last": last, "writers": days}))
    return json.loads(
        store.station.machine.run("python3 /usr/local/lib/station/days.py /run/days.json", timeout_s=1_200)
    )


@dataclass(frozen=True)
class Growing:
    """A disk that grows: its size, what is written to it a day, and whether it fits."""

    size_bytes: int
    per_day_bytes: int
    fits: bool


FREE_BYTES = 640 * MIB
CASES = {
    "slow": Growing(GIB, 4 * MIB, fits=True),
    "fast": Growing(GIB, 8 * MIB, fits=False),
    "until it is full": Growing(128 * MIB, 4 * MIB, fits=True),
}
"""With 2 MiB a day besides, 640 MiB last for about 107 days, for 64, and with the third for 256."""


@pytest.mark.parametrize("case", CASES)
def test_a_growing_disk_fills_as_forecast(store: Store, case: str) -> None:
    """The level in 30 and 90 days, and the day on which a writer finds no space, or that none does for 90 days."""
    disk = CASES[case]
    store.make(FREE_BYTES)
    record(store, daily(1, RECORDED_D))
    code, answer = ask(store, f"--disk {disk.size_bytes // MIB}MiB --grows {disk.per_day_bytes // MIB}MiB/day")
    assert (code, answer["fits"]) == ((0, "yes") if disk.fits else (1, "no"))

    path = store.build("hide-hub", disk.size_bytes)
    own = [min(day * disk.per_day_bytes, disk.size_bytes) for day in range(201)]
    besides = [each // 65_536 * 65_536 for each in accumulate(daily(2, 200), initial=0)]
    writers = {path: own, store.others(): besides}
    expected = {each["day"]: each for each in answer["levels_at_current_growth"]}
    first, lived = 0, {"lived": 0.0, "error": ""}
    for day in (30, 90, 200):
        if lived["error"] or (day == 200 and case == "until it is full"):
            break
        lived = live(store, writers, first, day)
        first = day
        if not lived["error"]:
            _check_level(store, case, day, expected[day], own[day])
    _check_end(store, case, answer["time_to_full_after"], lived)


def _check_level(store: Store, case: str, day: int, expected: Mapping[str, float], own: int) -> None:
    """Within the simulated futures, plus what is not known of the store's own tables."""
    level, likely, high = store.measured()[0], expected["level_bytes"], expected["high_bytes"]
    store.station.note(
        f"capacity, {store.subject}, {case}: {day} days: forecast {likely / MIB:.1f} MiB (up to {high / MIB:.1f}), "
        f"actually {level / MIB:.1f}"
    )
    strays = high - likely + SPARE_BYTES
    assert likely - strays - store.tables_share * own <= level <= high + SPARE_BYTES


def _check_end(store: Store, case: str, after: Mapping[str, float | None], lived: Mapping[str, Any]) -> None:
    early, likely, late = after["earliest_days"], after["likely_days"], after["latest_days"]
    answer = f"forecast day {likely} ({early} to {late})"
    store.station.note(f"capacity, {store.subject}, {case}: {answer}, lived {lived['lived']:.1f} {lived['error']}")
    if case == "until it is full":
        assert (lived["lived"], lived["error"]) == (90, "")
        assert early is not None
        assert early > 90
        return
    assert lived["error"] == "No space left on device"
    assert early is not None
    assert late is not None
    assert (early > 90) == CASES[case].fits
    # Tables that a volume did not need leave space for some more days.
    assert early - DAY_D <= lived["lived"] <= late * (1 + store.tables_share) + DAY_D


def flat() -> list[int]:
    """The growth of a store on which little happens: some KiB come and go."""
    draws = Random(3)
    return [draws.choice((-1, 1)) * 8_192 * draws.randint(0, 4) for _ in range(RECORDED_D)]


def write_whole(store: Store, path: str, size_bytes: int) -> Any:
    """Write the whole disk."""
    return live(store, {path: [0, size_bytes]}, 0, 1)


def test_the_largest_disk_can_be_written_whole_and_no_larger_one(store: Store) -> None:
    """1 GiB fits to the last byte if 1 GiB and its tables are free; a disk as large as all free space does not."""
    free = round(GIB * (1 + store.tables_share)) + SPARE_BYTES
    store.make(free)
    record(store, flat())
    _, answer = ask(store, "--disk 1GiB --written 1GiB")
    assert (answer["fits"], answer["largest_disk_bytes"]) == ("yes", GIB)
    used, capacity = store.measured()
    path = store.build("hide-hub", GIB)
    assert write_whole(store, path, GIB) == {"lived": 1, "written": [GIB], "error": ""}
    took = store.measured()[0] - used
    store.station.note(
        f"capacity, {store.subject}: largest, 1 GiB of {(capacity - used) / MIB:.1f} MiB free, took {took / MIB:.1f}"
    )
    assert took <= answer["added_at_most_bytes"] + SPARE_BYTES

    store.make(free)
    larger = free // MIB * MIB + MIB
    lived = write_whole(store, store.build("nest-cams", larger), larger)
    store.station.note(
        f"capacity, {store.subject}: of {larger / MIB:.0f} MiB {lived['written'][0] / MIB:.1f} were taken"
    )
    assert lived["error"] == "No space left on device"
    assert GIB <= lived["written"][0] < larger


def test_a_disk_that_leaves_no_space_for_its_tables(stores: Mapping[str, Store]) -> None:
    """Exactly 1 GiB is free: a sparse volume of 1 GiB does not fit on ZFS, because of its tables."""
    store = stores["zfs"]
    store.make(GIB + SPARE_BYTES)
    record(store, flat())
    code, answer = ask(store, "--disk 1GiB --written 1GiB")
    assert (code, answer["largest_disk_bytes"]) == (1, 0)
    assert answer["reasons"][0]["reason"] == "no space now"
    lived = write_whole(store, store.build("hide-hub", GIB), GIB)
    store.station.note(
        f"capacity, {store.subject}: of 1 GiB without room for tables {lived['written'][0] / MIB:.1f} MiB"
    )
    assert lived["error"] == "No space left on device"


def test_the_largest_reserved_volume_can_be_created_and_no_larger_one(stores: Mapping[str, Store]) -> None:
    """The answer for --reserved is what ZFS itself accepts and refuses."""
    store = stores["zfs"]
    store.make(round(GIB * (1 + TABLES_SHARE)) + SPARE_BYTES)
    record(store, flat())
    code, answer = ask(store, "--disk 1GiB --reserved")
    assert (code, answer["fits"], answer["largest_disk_bytes"]) == (0, "yes", GIB)
    machine = store.station.machine
    assert not machine.works(f"zfs create -V {GIB + 2 * SPARE_BYTES} wharf/nest-cams")
    used = store.measured()[0]
    path = store.build("hide-hub", GIB, reserved=True)
    aside = store.measured()[0] - used
    store.station.note(f"capacity, {store.subject}: 1 GiB reserved: forecast {answer['added_bytes']}, actually {aside}")
    assert abs(aside - answer["added_at_most_bytes"]) <= SPARE_BYTES
    assert write_whole(store, path, GIB)["error"] == ""

    store.make(round(GIB * (1 + TABLES_SHARE)) - SPARE_BYTES)
    record(store, flat())
    code, answer = ask(store, "--disk 1GiB --reserved")
    assert (code, answer["fits"], answer["largest_disk_bytes"]) == (1, "no", 0)
    assert not machine.works(f"zfs create -V {GIB} wharf/hide-hub")


def test_allocated_before_and_after_are_right(store: Store) -> None:
    """The store's own tool has the same figures; the answer's "after" is the next "before", once the disk exists."""
    store.make(FREE_BYTES)
    store.build("ringing-db", 512 * MIB)
    record(store, daily(1, RECORDED_D))
    capacity = store.measured()[1]
    _, answer = ask(store, "--disk 2GiB")
    assert answer["capacity_bytes"] == pytest.approx(capacity, abs=SPARE_BYTES)
    assert answer["allocated_before_bytes"] == store.promised()
    assert answer["allocated_before_share"] == pytest.approx(store.promised() / capacity, rel=0.01)
    store.build("hide-hub", 2 * GIB)
    _, again = ask(store, "--disk 2GiB")
    assert again["allocated_before_bytes"] == answer["allocated_bytes"] == store.promised()
    assert again["allocated_before_share"] == pytest.approx(answer["allocated_share"], rel=0.01)
    store.station.note(
        f"capacity, {store.subject}: promised {answer['overcommit_before_share']:.2f} before and "
        f"{answer['overcommit_share']:.2f} after, actually {store.promised() / capacity:.2f}"
    )


GUEST_BYTES = 32 * MIB
"""What inside/guest.sh gives a guest, with one vCPU."""


def test_memory_and_cpus_of_guests_before_and_after(stores: Mapping[str, Store]) -> None:
    """Another guest, asked about first and then started: the answer's "after" is the next "before"."""
    station = stores["zfs"].station

    def answer() -> tuple[Any, Any]:
        _, said = station.run_json(f"capacity --memory {GUEST_BYTES // MIB}MiB --cpus 1", CONFIG)
        return said["memory"], said["cpus"]

    station.start_guest("hide-hub")
    running = len(station.machine.run("ls /run/guests/*.qmp").split())
    memory, cpus = answer()
    assert memory["allocated_before_bytes"] == running * GUEST_BYTES
    assert cpus["vcpus_before"] == running
    total = int(station.machine.run("awk '/MemTotal/ {print $2}' /proc/meminfo")) * 1024
    assert (memory["total_bytes"], cpus["cpus"]) == (total, int(station.machine.run("nproc")))
    station.start_guest("ringing-db")
    later_memory, later_cpus = answer()
    assert later_memory["allocated_before_bytes"] == memory["allocated_bytes"]
    assert later_memory["allocated_before_share"] == memory["allocated_share"]
    assert later_cpus["vcpus_before"] == cpus["vcpus"] == running + 1


def test_a_short_history_gives_no_forecast(store: Store) -> None:
    """With a history of three days there is space now, and it is not known for how long: exit code 1."""
    store.make(FREE_BYTES)
    record(store, daily(1, 3))
    code, answer = ask(store, "--disk 64MiB")
    assert (code, answer["fits"], answer["largest_disk_bytes"]) == (1, "not known", None)
    assert [each["reason"] for each in answer["reasons"]] == ["history too short"]


def test_an_empty_thin_pool_has_metadata_enough(stores: Mapping[str, Store]) -> None:
    """An empty pool does not show yet how much metadata a byte takes: 1 GiB fits, and is written whole."""
    store = stores["thin"]
    store.make(GIB + 64 * MIB)
    store.station.machine.run("blkdiscard /dev/slip/ballast")
    record(store, [0] * RECORDED_D)
    _, answer = ask(store, "--disk 1GiB --written 1GiB")
    assert (answer["fits"], answer["largest_disk_bytes"]) == ("yes", GIB)
    assert write_whole(store, store.build("hide-hub", GIB), GIB)["error"] == ""
