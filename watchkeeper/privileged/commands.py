"""The fixed list of what root runs for watchkeeper. It takes nothing from a caller but the name of an entry.

Every command only reads. Where one is run for each disk, file system or guest, the list of those comes from the
kernel's tables, from smartctl's list and from a file that root owns, never from the caller. To allow another command,
add it here: nothing else grants a permission.
"""

import glob
import json
import os
import pwd
import re
import stat
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from watchkeeper.privileged.guests import libvirt_agent
from watchkeeper.privileged.process import Completed, run

MOUNTS = Path("/proc/self/mountinfo")

MONITORS = Path("/etc/watchkeeper/guest-monitors")
"""One path pattern per line, such as /run/guests/*.qmp. The file is root's, like this program: no caller names a
socket."""

AGENTS = Path("/etc/watchkeeper/guest-agents")
"""The same for the sockets of the agents inside guests, such as /run/guests/*.agent."""

ENGINES = ("/run/docker.sock", "/run/podman/podman.sock")
"""Where the container engines of the system listen. A user's own engine is asked as that user, not through this."""

LINGER = Path("/var/lib/systemd/linger")

PATTERNS_LIMIT = 64 * 1024

TIMEOUT_S = 20.0
"""For one program. `lvs` took 0.4 to 0.9 s on an emulated machine with a full pool; a failing disk can take ten."""

TARGETS_LIMIT = 64
"""Disks or file systems checked in one answer; a home server has a dozen."""

AT_ONCE = 8
"""Programs that run at the same time, so that one that hangs does not delay the others."""

LVS_FIELDS = (
    "vg_name,lv_name,lv_attr,lv_size,pool_lv,origin,data_percent,metadata_percent,lv_time,lv_metadata_size,"
    "lv_health_status,lv_when_full,seg_monitor"
)
EPOCH = '--config=report{time_format="%s"}'
"""lvm.conf(5): times as seconds since 1970, whatever the machine's own lvm.conf sets."""

_REPORT = ("--reportformat", "json", "--units", "b", "--nosuffix")
_OCTAL = re.compile(r"\\([0-7]{3})")
_USER = re.compile(r"[a-z_][a-z0-9_-]{0,31}")
_DEVICE = re.compile(r"/dev/[A-Za-z0-9_./:-]+")
_BUS = re.compile(r"[A-Za-z0-9_+,./:-]+")
_DETECTED = frozenset({"ata", "auto", "nvme", "sat", "scsi"})
"""Device types that smartctl detects itself; forcing what --scan guessed ("scsi") would hide a SATA disk's data."""


@dataclass(frozen=True, slots=True)
class Target:
    """One thing to run a command for: its name in the answer, and the arguments that select it.

    before: a program that starts the command for it, with its arguments.
    """

    name: str
    arguments: tuple[str, ...] = ()
    before: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Result:
    """How one command ended, with what it was run for: a disk, a mount point, or nothing but itself (the program)."""

    target: str
    ran: Completed


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the list: what it is for, its commands, and what each is run for (once, where there is nothing).

    timeout_s: for each of its programs. here: what is done for each in this process, instead of commands: a program of
    the system does the work, and what it prints is only passed on.
    """

    about: str
    argvs: tuple[tuple[str, ...], ...]
    targets: Callable[[], "Targets"] | None = None
    timeout_s: float = TIMEOUT_S
    here: Callable[[str], Completed] | None = None


@dataclass(frozen=True, slots=True)
class Targets:
    """What to run a command for; `failed`: how the search ended, where it found nothing for a reason."""

    found: tuple[Target, ...] = ()
    failed: Completed | None = None


def btrfs_mounts() -> Targets:
    """One mount point for each mounted btrfs: the one with the shortest path."""
    chosen: dict[str, str] = {}
    for device, point in _btrfs(MOUNTS.read_bytes().decode("utf-8", "surrogateescape")):
        if device not in chosen or len(point) < len(chosen[device]):
            chosen[device] = point
    return Targets(tuple(Target(point, (point,)) for point in sorted(chosen.values()))[:TARGETS_LIMIT])


def _btrfs(mountinfo: str) -> Iterator[tuple[str, str]]:
    """Device and mount point of every btrfs in the kernel's mountinfo: proc(5)."""
    for line in mountinfo.split("\n"):
        before, _, after = line.partition(" - ")
        fields = before.split(" ")
        if after.split(" ")[0] == "btrfs" and len(fields) > 5 and fields[4].startswith("/"):
            yield fields[2], _OCTAL.sub(lambda found: chr(int(found.group(1), 8)), fields[4])


def disks() -> Targets:
    """The disks that smartctl knows of; listing them does not wake one that sleeps."""
    scan = run(("smartctl", "--json", "--scan"), TIMEOUT_S)
    if scan.status != 0:
        return Targets(failed=scan)
    try:
        listed = json.loads(scan.stdout).get("devices", [])
        found = tuple(_disk(str(each["name"]), str(each.get("type", "auto"))) for each in listed)
    except (ValueError, KeyError, TypeError, AttributeError):
        return Targets(failed=Completed(None, scan.stdout, b"smartctl --scan printed what is not its JSON"))
    return Targets(tuple(disk for disk in found if disk)[:TARGETS_LIMIT])


def _disk(name: str, kind: str) -> Target | None:
    if not _DEVICE.fullmatch(name) or not _BUS.fullmatch(kind):
        return None
    return Target(name, (name,)) if kind in _DETECTED else Target(f"{name} {kind}", ("--device", kind, name))


def monitors() -> Targets:
    """The guests' QMP monitors."""
    return _sockets(MONITORS)


def agents() -> Targets:
    """The sockets of the agents inside guests."""
    return _sockets(AGENTS)


def domains() -> Targets:
    """The guests of libvirt that have a process; each by its number and name."""
    listed = libvirt_agent.list_domains()
    if listed.status != 0:
        return Targets(failed=listed)
    found = libvirt_agent.read_domains(listed.stdout)
    return Targets(tuple(Target(f"{each.number} {each.name}", (each.uuid,)) for each in found)[:TARGETS_LIMIT])


def _sockets(list_file: Path) -> Targets:
    """The sockets that match the patterns in a file which only root may write."""
    try:
        with list_file.open("r", encoding="utf-8", errors="surrogateescape") as file:
            status = os.fstat(file.fileno())
            patterns = [line.strip() for line in file.read(PATTERNS_LIMIT).split("\n")]
    except FileNotFoundError:
        return Targets()
    if status.st_uid != 0 or status.st_mode & 0o022:
        return Targets(failed=Completed(1, b"", f"{list_file} must belong to root, with mode 0644".encode()))
    found = {path for pattern in patterns if pattern.startswith("/") for path in glob.iglob(pattern)}  # noqa: PTH207  any bytes
    return Targets(tuple(Target(path, (path,)) for path in sorted(found) if _is_socket(path))[:TARGETS_LIMIT])


def _is_socket(path: str) -> bool:
    """Is it a socket itself, and not a link that leads to one?"""
    try:
        return stat.S_ISSOCK(os.lstat(path).st_mode)
    except OSError:
        return False


def engines() -> Targets:
    """The container engines that listen."""
    return Targets(tuple(Target(path, (path,)) for path in ENGINES if _is_socket(path)))


def lingering() -> Targets:
    """The users whose service managers run without a login: a file for each in systemd's folder, loginctl(1).

    systemctl runs as that user: it refuses to talk to another user's manager (seen with systemd 252), and with
    `--machine=USER@` it would open a login session each time, and needs a message bus of the user's.
    """
    try:
        names = sorted(path.name for path in LINGER.iterdir())
    except FileNotFoundError:
        return Targets()
    users = [name for name in names if _USER.fullmatch(name)]
    return Targets(tuple(target for each in users if (target := _manager(each)))[:TARGETS_LIMIT])


def _manager(user: str) -> Target | None:
    """The manager of a user; None if there is no such user any more."""
    try:
        entry = pwd.getpwnam(user)
    except KeyError:
        return None
    who = (f"--reuid={entry.pw_uid}", f"--regid={entry.pw_gid}", "--clear-groups")
    return Target(user, before=("setpriv", *who, "env", f"XDG_RUNTIME_DIR=/run/user/{entry.pw_uid}"))


TREES_TIMEOUT_S = 80.0
"""A walk stops by itself after tree_walk.BUDGET_S and one directory more; the helper's own end is at 90 s."""

_WALK = ("ionice", "--class", "idle", sys.executable, "-I", "-m", "watchkeeper.privileged.tree_walk")

_LVS = ("lvs", "--all", *_REPORT, EPOCH, "--options", LVS_FIELDS)

COMMANDS: dict[str, Entry] = {
    "lvm": Entry(
        "logical volumes, their groups, and thin pools as the kernel counts them",
        (
            _LVS,
            ("vgs", *_REPORT, "--options", "vg_name,vg_attr,vg_size,vg_free,vg_missing_pv_count"),
            ("dmsetup", "status", "--target", "thin-pool"),
        ),
    ),
    "volumes": Entry(
        "logical volumes alone: which are snapshots, and of when",
        (_LVS,),
    ),
    "disks": Entry(
        "SMART data of every disk that does not sleep",
        (("smartctl", "--json", "--nocheck", "standby,3", "--all", "--log", "ssd", "--log", "devstat"),),
        disks,
    ),
    "subvolumes": Entry(
        "snapshots of every mounted btrfs",
        (("btrfs", "subvolume", "list", "-s"),),
        btrfs_mounts,
    ),
    "scrubs": Entry(
        "the last scrub of every mounted btrfs",
        (("btrfs", "scrub", "status", "-R"),),
        btrfs_mounts,
    ),
    "clock": Entry(
        "how far the clock may be wrong, as the kernel keeps account of it",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.timex"),),
    ),
    "user-units": Entry(
        "failed units of users whose service managers run without a login",
        (
            (
                "systemctl",
                "--user",
                "list-units",
                "--all",
                "--state=failed,auto-restart",
                "--full",
                "--no-pager",
                "--output=json",
            ),
        ),
        lingering,
    ),
    "mapped-devices": Entry(
        "status of every mapped device, as the kernel's targets report it",
        (("dmsetup", "status"),),
    ),
    "trees": Entry(
        "how much each directory takes: goes on with a walk for some seconds, in the idle I/O class",
        ((*_WALK, "continue"),),
        timeout_s=TREES_TIMEOUT_S,
    ),
    "trees-new": Entry(
        "the same, and begins a new walk if none is under way",
        ((*_WALK, "begin"),),
        timeout_s=TREES_TIMEOUT_S,
    ),
    "mail-queue": Entry(
        "messages in the queue of the local mail server",
        (("postqueue", "-j"),),
    ),
    "guests": Entry(
        "state of every guest whose monitor is named in root's own file",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.guests.monitor"),),
        monitors,
    ),
    "guest-agents": Entry(
        "what the agent in each guest reports, if its socket is named in root's own file",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.guests.agent"),),
        agents,
    ),
    "libvirt-agents": Entry(
        "the same from the agent in each guest of libvirt",
        (),
        domains,
        here=libvirt_agent.ask,
    ),
    "usb-holders": Entry(
        "which guests hold which USB devices",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.guests.usb_holders"),),
    ),
    "inotify": Entry(
        "how many inotify watches each user has",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.inotify_watches"),),
    ),
    "replaced-files": Entry(
        "which services run programs or libraries that have been replaced",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.replaced_files"),),
    ),
    "containers": Entry(
        "the state of every container, as the engines of the system report it",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.container_engine", "state"),),
        engines,
    ),
    "container-space": Entry(
        "what images, build caches and containers take",
        ((sys.executable, "-I", "-m", "watchkeeper.privileged.container_engine", "space"),),
        engines,
    ),
}
"""Name -> what is run. A caller can send nothing but one of these names."""


def collect(name: str) -> list[Result]:
    """Run an entry of the list. Raises KeyError where there is no such name, OSError where nothing can be started.

    A result's target is what the command was run for, or the program's own name where it was run for nothing else.
    """
    entry = COMMANDS[name]
    targets = entry.targets() if entry.targets else None
    if targets is None:
        return _run_all([(argv[0], argv) for argv in entry.argvs], entry.timeout_s)
    if targets.failed is not None:
        return [Result("", targets.failed)]
    if entry.here is not None:
        with ThreadPoolExecutor(AT_ONCE) as pool:
            done = list(pool.map(entry.here, (each.arguments[0] for each in targets.found)))
        return [Result(each.name, ran) for each, ran in zip(targets.found, done, strict=True)]
    return _run_all(
        [(each.name, (*each.before, *argv, *each.arguments)) for argv in entry.argvs for each in targets.found],
        entry.timeout_s,
    )


def _run_all(jobs: Sequence[tuple[str, Sequence[str]]], timeout_s: float) -> list[Result]:
    """Run commands at the same time; results are in the order of the commands."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        ran = list(pool.map(partial(run, timeout_s=timeout_s), (argv for _, argv in jobs)))
    return [Result(target, each) for (target, _), each in zip(jobs, ran, strict=True)]
