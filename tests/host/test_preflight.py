"""`preflight` says go if everything is OK, and no-go for exactly the check that is made to fail, each in turn.

The guest tide-log runs with two disks: a volume of the pool berth, a mirror of two files, and a thin volume in the
group jetty. In the first part the past comes from a database that was fed (inside/feed.py), and what is now is real:
the guest, its snapshots, its backups, its service, what is free. In the second part a daemon of the tests' own watches:
alerts come and end, a job checks in, and answers are recorded before a change and after it. The station's daemon is
stopped meanwhile.
"""

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from tests.host.station import PROGRAM, Station, instant

pytestmark = pytest.mark.host(place=1)

MIB, DAY_S = 2**20, 86_400

HOME = "/var/lib/berth"
GUEST, POOL, THIN = "tide-log", "pool berth", "thin pool jetty/mooring"
ON_POOL, ON_THIN = "berth/tide-log", "jetty/tide-pages"
ABOUT = {POOL: POOL, THIN: f"{THIN}: data"}
"""How a check names the store that it is about."""
DISK_BYTES = {POOL: 64 * MIB, THIN: 96 * MIB}
WELL_BYTES = {POOL: 110 * MIB, THIN: 120 * MIB}
"""Free bytes of a store that is OK: more than a disk."""
PACE_BYTES = 16 * MIB
"""What the guest writes a day by its history: in a week more than either disk holds, so that all of it may be
rewritten."""
SERVICE_PORT, PAGE_PORT = 9027, 8427

COMMON = f"""
[host]
name = "gannet"
time_zone = "UTC"
[page]
port = {PAGE_PORT}
[[probe]]
kind = "zfs"
every = "5s"
[[probe]]
kind = "lvm"
every = "30s"
[[probe]]
kind = "guests"
every = "20s"
timeout = "30s"
sockets = ["/run/guests/{GUEST}.qmp"]
[[probe]]
kind = "http"
name = "{GUEST}"
url = "http://127.0.0.1:{SERVICE_PORT}/"
every = "2s"
timeout = "5s"
"""

LIMITS = f"""
[[probe]]
kind = "zfs-snapshots"
name = "of the pool"
datasets = ["{ON_POOL}"]
max_age = "{{pool}}"
[[probe]]
kind = "lvm-snapshots"
name = "of the thin pool"
volumes = ["{ON_THIN}"]
max_age = "{{thin}}"
"""

COPIES = f"""
[[probe]]
kind = "snapshots"
name = "copies"
files = ["{{where}}/*.img"]
max_age = "26h"
backup_of = ["{GUEST}"]
"""

JOB = f"""
[[probe]]
kind = "memory"
every = "5s"
[[probe]]
kind = "job"
name = "nightly-tide"
every = "5s"
within = "150s"
backup_of = ["{GUEST}"]
"""

ELSEWHERE = "/srv/mirror/berth"
"""On md0: none of the guest's disks is there."""

LAYOUT = f"""
set -euo pipefail
truncate -s 512M /var/tmp/berth0.img /var/tmp/berth1.img
zpool create -f -o ashift=12 -o cachefile=none -O compression=off -O atime=off -m /berth berth \
    mirror /var/tmp/berth0.img /var/tmp/berth1.img
zfs create -s -V 64M {ON_POOL}
zfs create -s -V 512M berth/ballast
lvcreate -qq -y -L 160M --chunksize 64k -Zn --errorwhenfull y -T jetty/mooring 2>/dev/null
lvcreate -qq -y -V 96M -T jetty/mooring -n tide-pages 2>/dev/null
lvcreate -qq -y -V 160M -T jetty/mooring -n moored 2>/dev/null
udevadm settle
mkdir -p {HOME} {ELSEWHERE}
echo 0 >{HOME}/slow
systemd-run -q --unit=answer-tide python3 /usr/local/lib/station/answer.py {SERVICE_PORT} {HOME}/slow
"""

AWAY = f"""
systemctl stop guest-{GUEST} answer-tide watch-tide; systemctl reset-failed guest-{GUEST} answer-tide watch-tide
umount /srv/berth; rm -rf /run/guests/{GUEST}.qmp {ELSEWHERE} {HOME} /srv/berth
zpool destroy -f berth
lvremove -qq -f jetty/mooring; lvremove -qq -f jetty/copies
rm -f /var/tmp/berth0.img /var/tmp/berth1.img
"""

MOUNTED = "mkfs.ext4 -q {0} && mkdir -p /srv/berth && mount {0} /srv/berth"

ALL = {"guest", "snapshot", "backup", "space", "time-to-full", "storage-below", "answers", "monitoring"}


@dataclass
class Berth:
    """The guest, its stores, and the changes that tests make to them."""

    station: Station

    def run(self, line: str, timeout_s: float = 120) -> str:
        """Run a shell line in the machine."""
        return self.station.machine.run(line, timeout_s)

    def free(self, store: str) -> int:
        """Free bytes, by the store's own tool."""
        if store == POOL:
            return int(self.run("zpool sync berth; zfs get -Hp -o value available berth"))
        used, total = map(int, self.run("dmsetup status jetty-mooring-tpool").split()[5].split("/"))
        return (total - used) * 65_536

    def leave(self, store: str, free_bytes: int) -> None:
        """Write more, or discard what was written, until so much is free."""
        device = "/dev/zvol/berth/ballast" if store == POOL else "/dev/jetty/moored"
        self.run(f"blkdiscard {device}; sync")
        if store == POOL:
            self.run("zpool sync berth; zpool wait -t free berth; zpool sync berth")
        blocks = (self.free(store) - free_bytes) // MIB
        self.run(f"dd if=/dev/zero of={device} bs=1M count={blocks} oflag=direct conv=fsync status=none", 300)

    def snapshots(self) -> None:
        """Take one of each disk, and delete older ones."""
        for store in (POOL, THIN):
            self.snapshot(store)

    def snapshot(self, store: str) -> None:
        """Take one of the disk on a store, and delete older ones."""
        self.without_snapshots(store)
        if store == POOL:
            self.run(f"zfs snapshot {ON_POOL}@before")
        else:
            self.run("lvcreate -qq -y -s -n tide-before jetty/tide-pages 2>/dev/null")

    def without_snapshots(self, store: str) -> None:
        """Delete those of the disk on a store."""
        if store == POOL:
            self.run(f"for each in $(zfs list -H -o name -t snapshot {ON_POOL}); do zfs destroy $each; done")
        else:
            self.run("lvremove -qq -f jetty/tide-before 2>/dev/null || true")

    def configure(self, name: str, *parts: str, database: str = "still") -> str:
        """Write a configuration; returns its path."""
        path = f"{HOME}/{name}.toml"
        self.station.machine.write(path, f'[store]\npath = "{HOME}/{database}.db"\n{COMMON}{"".join(parts)}')
        return path

    def ask(self, config: str, words: str = "") -> "Answer":
        """Run `preflight`. Its exit code and its checks agree."""
        code, said = self.station.run_json(f"preflight {GUEST} {words}", config)
        answer = Answer(said)
        assert (code, said["go"]) == ((1, False) if answer.against else (0, True)), said
        return answer

    def goes(self, config: str, words: str = "") -> None:
        """It is a go, every check was made, and both disks have checks of their own."""
        answer = self.ask(config, words)
        assert not answer.against, answer.against
        assert {each["name"] for each in answer.points} == ALL
        about = {each["about"] for each in answer.points if each["name"] == "snapshot"}
        assert about == {f"disk {ON_POOL}", f"disk {ON_THIN}"}


@dataclass
class Answer:
    """What `preflight` printed."""

    said: Any

    @property
    def points(self) -> list[Any]:
        """All checks."""
        return list(self.said["checks"])

    @property
    def against(self) -> dict[tuple[str, str], str]:
        """Every check that failed, by matter and subject, with its reason."""
        found = [each for each in self.points if each["verdict"] != "go"]
        assert len({(each["name"], each["about"]) for each in found}) == len(found)
        return {(each["name"], each["about"]): each["reason"] for each in found}

    def only(self, matter: str, about: str) -> str:
        """The reason of the only check that failed."""
        assert set(self.against) == {(matter, about)}, self.against
        verdicts = {each["verdict"] for each in self.points}
        assert verdicts == {"go", "no-go"}, self.points
        return self.against[matter, about]


def past(berth: Berth, name: str = "still", until_s: int = 0, **grows: int) -> None:
    """Feed a database: both stores, the guest and its service, for ten days. until_s: how long ago it ended.

    grows: bytes a day of the pool or of the thin pool; else they have stood still.
    """
    hours = range(240, -1, -1)
    capacity = int(berth.run("zfs get -Hp -o value used berth")) + berth.free(POOL)
    chunks = int(berth.run("dmsetup status jetty-mooring-tpool").split()[5].split("/")[1])

    def level(subject: str, quantity: str, probe: str, most: int, now: int, per_day: float) -> dict[str, object]:
        samples = [(hour * 3_600 + until_s, now - per_day * hour / 24) for hour in hours]
        whose = {"subject": subject, "quantity": quantity, "probe": probe, "interval_s": 3_600}
        return whose | {"capacity": most, "samples": samples}

    written = PACE_BYTES * 10
    levels = [
        level(POOL, "space", "zfs", capacity, capacity - berth.free(POOL), grows.get("pool", 0)),
        level(THIN, "data", "lvm", chunks * 65_536, chunks * 65_536 - berth.free(THIN), grows.get("thin", 0)),
        level(f"guest {GUEST}", "written", "guests", sum(DISK_BYTES.values()), written, PACE_BYTES),
    ]
    ages = [hour * 3_600 + until_s for hour in range(48, -1, -1)]
    answers = {"subject": f"service {GUEST}", "probe": GUEST, "took_s": 0.02, "interval_s": 3_600, "ages": ages}
    berth.station.seed({"database": f"{HOME}/{name}.db", "levels": levels, "answers": [answers]})


@pytest.fixture(scope="module")
def berth(station: Station) -> Iterator[Berth]:
    """The guest on its stores: everything is OK, with a backup elsewhere and space for what a snapshot will hold."""
    with station.daemon_stopped():
        machine = station.machine
        machine.run(f"{{ {AWAY} }} >/dev/null 2>&1; true")
        machine.run(LAYOUT, timeout_s=300)
        found = Berth(station)
        try:
            machine.run(f"dd if=/dev/urandom of=/dev/zvol/{ON_POOL} bs=1M count=56 oflag=direct status=none")
            for store, free_bytes in WELL_BYTES.items():
                found.leave(store, free_bytes)
            station.start_guest(GUEST, f"/dev/zvol/{ON_POOL}", f"/dev/{ON_THIN}")
            machine.run(f"touch {ELSEWHERE}/tide-log.img")
            found.snapshots()
            past(found)
            yield found
        finally:
            machine.run(f"{{ {AWAY} }} >/dev/null 2>&1; true", timeout_s=300)


@pytest.fixture(autouse=True)
def repaired(berth: Berth) -> Iterator[None]:
    """Before each test, repair what an earlier one has left."""
    yield
    berth.run(f"touch {ELSEWHERE}/tide-log.img; zpool online berth /var/tmp/berth1.img")
    berth.run(f"python3 /usr/local/lib/station/guest.py ask /run/guests/{GUEST}.qmp cont")
    serve(berth)
    for store, free_bytes in WELL_BYTES.items():
        if abs(berth.free(store) - free_bytes) > 8 * MIB:
            berth.leave(store, free_bytes)


@pytest.fixture(scope="module")
def config(berth: Berth) -> str:
    """The configuration with which everything is OK."""
    return berth.configure("well", COPIES.format(where=ELSEWHERE))


def test_everything_is_ok(berth: Berth, config: str) -> None:
    """Go, by eight matters; and the command has changed nothing on the host."""
    seen = "zfs list -Hp -t all -o name,guid,createtxg -r berth; lvs --noheadings -o lv_full_name,lv_uuid,lv_time jetty"
    before = berth.run(seen)
    began = time.monotonic()
    berth.goes(config)
    berth.station.note(f"ready: a go with both disks, after {time.monotonic() - began:.0f} s")
    assert berth.run(seen) == before


@pytest.mark.parametrize(("store", "volume"), [(POOL, ON_POOL), (THIN, ON_THIN)])
def test_one_disk_of_two_without_a_snapshot(berth: Berth, config: str, store: str, volume: str) -> None:
    """One disk has no snapshot: no-go for that disk alone, until there is one."""
    berth.without_snapshots(store)
    assert berth.ask(config).only("snapshot", f"disk {volume}") == "there is no snapshot of it"
    berth.snapshot(store)
    berth.goes(config)


@pytest.mark.parametrize(("store", "volume"), [(POOL, ON_POOL), (THIN, ON_THIN)])
def test_one_disk_of_two_with_a_snapshot_that_is_too_old(berth: Berth, store: str, volume: str) -> None:
    """By the limit of its own set: it becomes too old, and the next one is OK."""
    limits = {"pool": "1d", "thin": "1d"} | {"pool" if store == POOL else "thin": "2m"}
    limited = berth.configure("limited", COPIES.format(where=ELSEWHERE), LIMITS.format(**limits))
    berth.snapshot(store)
    time.sleep(125)
    reason = berth.ask(limited).only("snapshot", f"disk {volume}")
    assert reason.startswith("the newest, ")
    assert reason.endswith("old, limit 2m")
    berth.snapshot(store)
    berth.goes(limited)


def test_a_backup_that_is_too_old(berth: Berth, config: str) -> None:
    """The copy elsewhere is three days old, and is due every 26 hours."""
    berth.run(f"touch -d '3 days ago' {ELSEWHERE}/tide-log.img")
    reason = berth.ask(config).only("backup", "copies")
    assert reason.startswith("the newest is 3 days old, and was due 1 day 22 h ago")
    berth.run(f"touch {ELSEWHERE}/tide-log.img")
    berth.goes(config)


def test_snapshots_alone_are_no_backup(berth: Berth, config: str) -> None:
    """Both disks have snapshots, and no probe monitors a backup: the reason says that a snapshot is none."""
    without = berth.configure("without")
    reason = berth.ask(without).only("backup", f"guest {GUEST}")
    assert "A snapshot on the same store is no backup: it is lost with it" in reason
    berth.goes(config)


BESIDE = {
    "a dataset of the pool": ("zfs create -o mountpoint=/srv/berth berth/copies", "zfs destroy berth/copies", POOL),
    "a file system on a volume of the pool": (
        f"zfs create -s -V 32M berth/copies && udevadm settle && {MOUNTED.format('/dev/zvol/berth/copies')}",
        "umount /srv/berth && udevadm settle && zfs destroy berth/copies",
        POOL,
    ),
    "a file system in the volume group": (
        f"lvcreate -qq -y -L 32M -n copies jetty && {MOUNTED.format('/dev/jetty/copies')}",
        "umount /srv/berth && lvremove -qq -f jetty/copies",
        "volume group jetty",
    ),
}


@pytest.mark.parametrize("where", BESIDE)
def test_a_backup_beside_a_disk_is_none(berth: Berth, config: str, where: str) -> None:
    """It is new, but on the storage of a disk of the guest."""
    make, away, shared = BESIDE[where]
    berth.run(make)
    try:
        berth.run("touch /srv/berth/tide-log.img")
        beside = berth.configure("beside", COPIES.format(where="/srv/berth"))
        reason = berth.ask(beside).only("backup", "copies")
        assert reason == f"it is on {shared}, and so is a disk of the guest: both are lost together"
    finally:
        berth.run(away)
    berth.goes(config)


@pytest.mark.parametrize("store", [POOL, THIN])
def test_no_space_for_what_the_change_will_rewrite(berth: Berth, config: str, store: str) -> None:
    """The whole disk may be rewritten while its snapshot is kept, and less than that is free."""
    berth.leave(store, DISK_BYTES[store] // 2)
    answer = berth.ask(config)
    reason = answer.only("space", ABOUT[store])
    berth.station.note(f"ready, {store}: {reason}")
    assert reason.startswith(f"a snapshot may hold {DISK_BYTES[store] // MIB} MiB after 7 days, and only ")
    berth.leave(store, WELL_BYTES[store])
    berth.goes(config)


def test_no_space_for_a_snapshot_of_a_reserved_volume(berth: Berth, config: str) -> None:
    """ZFS refuses the snapshot, as reported, and accepts it once there is space again."""
    berth.leave(POOL, 200 * MIB)
    berth.run(f"zfs set refreservation=auto {ON_POOL}")
    # What the earlier snapshot holds needs no more space, so the whole disk is written again.
    berth.run(f"dd if=/dev/urandom of=/dev/zvol/{ON_POOL} bs=1M count=56 oflag=direct status=none; zpool sync berth")
    try:
        berth.leave(POOL, 40 * MIB)
        reason = berth.ask(config).only("space", POOL)
        assert reason.startswith("a snapshot of its reserved volumes needs ")
        berth.station.note(f"ready, reserved: {reason}")
        assert not berth.station.machine.works(f"zfs snapshot {ON_POOL}@change")
        berth.leave(POOL, WELL_BYTES[POOL])
        berth.run(f"zfs snapshot {ON_POOL}@change")
    finally:
        berth.run(f"zfs set refreservation=none {ON_POOL}")
        berth.snapshot(POOL)
    berth.leave(POOL, WELL_BYTES[POOL])
    berth.goes(config)


@pytest.mark.parametrize("store", [POOL, THIN])
def test_a_store_that_is_full_while_the_snapshot_is_kept(berth: Berth, config: str, store: str) -> None:
    """With the snapshot some MiB are left, and by its history the store uses them within days."""
    grows = {"pool": 20 * MIB} if store == POOL else {"thin": 4 * MIB}
    past(berth, "growing", **grows)
    growing = berth.configure("growing", COPIES.format(where=ELSEWHERE), database="growing")
    reason = berth.ask(growing).only("time-to-full", ABOUT[store])
    berth.station.note(f"ready, {store}: {reason}")
    assert reason.startswith("it may be full in ")
    assert reason.endswith("the snapshot is kept for 7 days")
    berth.goes(config)


def test_its_service_does_not_answer(berth: Berth, config: str) -> None:
    """It is requested at this moment: stopped, no answer; started, go."""
    berth.run("systemctl stop answer-tide")
    assert berth.ask(config).only("answers", f"service {GUEST}").startswith("not answering: ")
    serve(berth)
    berth.goes(config)


def serve(berth: Berth) -> None:
    """Restart its service, without a delay."""
    berth.run(f"echo 0 >{HOME}/slow; systemctl reset-failed answer-tide 2>/dev/null; true")
    program = f"/usr/local/lib/station/answer.py {SERVICE_PORT} {HOME}/slow"
    berth.run(f"systemctl is-active -q answer-tide || systemd-run -q --unit=answer-tide python3 {program}")
    berth.run(f"timeout 60 sh -c 'until curl -sf -o /dev/null http://127.0.0.1:{SERVICE_PORT}/; do sleep 1; done'")


def test_a_paused_guest(berth: Berth, config: str) -> None:
    """Its monitor says that it is paused."""
    monitor = f"python3 /usr/local/lib/station/guest.py ask /run/guests/{GUEST}.qmp"
    berth.run(f"{monitor} stop")
    reason = berth.ask(config).only("guest", f"guest {GUEST}")
    assert reason == "it is not running, so it cannot be checked"
    berth.run(f"{monitor} cont")
    berth.goes(config)


def test_a_daemon_that_records_nothing(berth: Berth, config: str) -> None:
    """Nothing was recorded for six hours: that no alert is active means nothing then."""
    past(berth, "asleep", until_s=6 * 3_600)
    slept = berth.configure("asleep", COPIES.format(where=ELSEWHERE), database="asleep")
    assert berth.ask(slept).only("monitoring", "watchkeeper").startswith("it has recorded nothing for 6 h")
    berth.goes(config)


@pytest.fixture(scope="module")
def watched(berth: Berth) -> str:
    """The configuration of a daemon that monitors the guest now, with the same history."""
    past(berth, "live")
    path = berth.configure("live", JOB, database="live")
    berth.snapshots()
    serve(berth)
    berth.run(f"systemd-run -q --unit=watch-tide {PROGRAM} --config {path} run")
    station = berth.station
    wanted = {(POOL, "space"), (THIN, "data"), (f"guest {GUEST}", "written"), ("memory", "in use")}
    station.wait_until("the watch", lambda: wanted <= recorded(berth), 240, lacks=lambda: wanted - recorded(berth))
    berth.run(f"{PROGRAM} --config {path} ran nightly-tide")
    station.wait_until("the check-in", lambda: checked_in(berth), 60)
    return path


def api(berth: Berth, path: str) -> list[Any]:
    """Items of the API of these tests' own daemon; none while it does not answer."""
    said = berth.run(f"curl -sf 'http://127.0.0.1:{PAGE_PORT}/api/v1/{path}' || echo '{{\"items\": []}}'")
    return list(json.loads(said)["items"])


def recorded(berth: Berth) -> set[tuple[str, str]]:
    """Subject and quantity of what that daemon has observed in the last minute."""
    now = berth.station.machine.now()
    items = api(berth, "quantities")
    return {(each["subject"], each["quantity"]) for each in items if now - instant(each["last_reading_at"]) < 60}


def checked_in(berth: Berth) -> bool:
    """Has that daemon received the job's report?"""
    return any(each["subject"] == "job nightly-tide" and each["expected_at"] for each in api(berth, "findings"))


def test_a_job_that_reports_during_the_wait(berth: Berth, watched: str) -> None:
    """The backup's job is overdue: no-go. With --wait the command checks again until the job has reported."""
    berth.run(f"{PROGRAM} --config {watched} ran nightly-tide")
    time.sleep(160)
    reason = berth.ask(watched).only("backup", "nightly-tide")
    assert ", and was due " in reason
    berth.run(f"systemd-run -q --collect --on-active=45 {PROGRAM} --config {watched} ran nightly-tide")
    began = time.monotonic()
    berth.goes(watched, "--wait 4m")
    waited_s = time.monotonic() - began
    berth.station.note(f"preflight --wait: go after {waited_s:.0f} s, the check-in was begun after 45")
    assert waited_s >= 45


def standing(berth: Berth, subject: str) -> bool:
    """Is an alert of a subject active?"""
    found = [each for each in api(berth, "findings") if each["subject"] == subject]
    return any(each["priority"] for each in found)


def test_an_alert_of_the_storage(berth: Berth, watched: str) -> None:
    """A disk of the pool's mirror is offline: an alert, and no-go until it is repaired."""
    station = berth.station
    berth.run("zpool offline berth /var/tmp/berth1.img")
    station.wait_until("the alert", lambda: standing(berth, POOL), 120)
    berth.run(f"{PROGRAM} --config {watched} ran nightly-tide; sleep 8")
    answer = berth.ask(watched)
    assert set(answer.against) == {("storage-below", POOL)}, answer.against
    assert "faulty" in answer.against["storage-below", POOL]
    berth.run("zpool online berth /var/tmp/berth1.img")
    berth.run(f"{PROGRAM} --config {watched} ran nightly-tide; sleep 8")
    berth.goes(watched, "--wait 4m")


def test_the_effect_of_the_change(berth: Berth, watched: str) -> None:
    """Unchanged; then slower, and then not answering: each is attributed to the change made just before."""
    service = f"service {GUEST}"
    berth.snapshots()
    time.sleep(40)
    answer = berth.ask(watched, "--after")
    assert not answer.against, answer.against
    assert {each["name"] for each in answer.points} == {"guest", "answers", "memory", "storage-below", "monitoring"}
    said = berth.station.machine.now()
    assert said - 400 < instant(answer.said["changed_at"]) < said - 40

    slow = _change(berth, f"echo 0.8 >{HOME}/slow")
    time.sleep(60)
    reason = berth.ask(watched, f"--after --since {slow}").only("answers", service)
    berth.station.note(f"preflight --after: {reason}")
    assert reason.startswith("slower: ")

    gone = _change(berth, "systemctl stop answer-tide")
    time.sleep(15)
    answer = berth.ask(watched, f"--after --since {gone}")
    assert answer.against["answers", service] == "it does not answer"
    # The daemon may have reported the missing answers by now, which is an alert since the change.
    assert set(answer.against) <= {("answers", service), ("storage-below", service)}
    serve(berth)


def _change(berth: Berth, line: str) -> str:
    """Change something; returns when."""
    berth.run(line)
    return berth.run("date -u +%Y-%m-%dT%H:%M:%S+00:00").strip()
