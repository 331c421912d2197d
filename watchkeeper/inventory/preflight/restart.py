"""Reads what a restart of the host depends on; planning/preflight/restart.py decides on it.

Only files that every user may read, `systemctl`, `virsh -r` and `zfs`, and container engines through the helper. What
cannot be read is a point that is not known.
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Observed, Unseen
from watchkeeper.planning.host_state import GuestNow
from watchkeeper.planning.preflight import restart
from watchkeeper.planning.preflight.decide import Point
from watchkeeper.planning.preflight.restart import RunningContainer, RunningGuest, RunningUnit
from watchkeeper.privileged import commands
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.containers.engine import read_state
from watchkeeper.probes.containers.engines import Engines
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.filesystems.expected_mounts import ExpectedMounts
from watchkeeper.probes.software import kernels
from watchkeeper.probes.support.systemctl import show_matching
from watchkeeper.probes.support.tools import SOCKET, run_tool

TIMEOUT_S = 20.0

STARTERS = ("WantedBy", "RequiredBy", "TriggeredBy", "RequisiteOf", "BoundBy", "UpheldBy")
"""Properties that list what starts a unit; systemd does not know those of a later version, and leaves them out."""

UNITS = ("Id", "ActiveState", "SubState", "UnitFileState", "BusName", *STARTERS)

OF_LIBVIRT = "machine-qemu"
"""How the scope of a guest of libvirt begins, systemd-machined(8)."""

AUTOSTART = ("virsh", "-q", "-r", "-c", "qemu:///system", "list", "--all", "--autostart", "--name")

ENGINES = {
    "docker": ("docker.service", frozenset({"always", "unless-stopped"})),
    "podman": ("podman-restart.service", frozenset({"always"})),
}
"""By a word in its socket: what starts an engine's containers with the host, and those of which policies."""

BY_HAND = ("/media/", "/run/media/", "/run/")
"""What is mounted there was plugged in, or belongs to the system."""


class RestartLook:
    """One look at what a restart depends on."""

    def __init__(self, bench: ProbeContext, helper: Path = SOCKET, root: Path = Path("/")) -> None:
        """helper: the socket of the helper of root. root: with /boot, /etc, /lib, /proc, /run and /sys, for tests."""
        self._bench, self._root, self._helper = bench, root, helper

    async def points(self, guests: Sequence[GuestNow]) -> list[Point]:
        """Every point of a restart."""
        points, states = list[Point](), dict[str, str]()
        try:
            shown = await show_matching(self._bench, "*.service", UNITS, TIMEOUT_S)
            states = {each["Id"]: each.get("UnitFileState", "") for each in shown}
            points += restart.unit_points([_unit(each) for each in shown if each.get("SubState") == "running"])
        except ProbeError as error:
            points.append(restart.unknown("services", str(error)))
        points += await self._bench.workers.call("what a restart depends on", self._files, TIMEOUT_S)
        running = [each.name for each in guests if each.running]
        found = await self._bench.workers.call("processes of guests", lambda: self._guests(running, states), TIMEOUT_S)
        points += await self._guest_points(found)
        return [*points, *await self._containers(states), *await self._zfs()]

    async def _guest_points(self, guests: Sequence[RunningGuest]) -> list[Point]:
        """Guests by their units, and those of libvirt by its own list."""
        managed = [each.name for each in guests if each.unit.startswith(OF_LIBVIRT)]
        others = [each for each in guests if each.name not in managed]
        points = list(restart.guest_points(others))
        try:
            starting = (await run_tool(self._bench, AUTOSTART, TIMEOUT_S)).splitlines() if managed else []
        except ProbeError as error:
            return [*points, restart.unknown("guests of libvirt", str(error))]
        return [*points, *restart.guest_points([RunningGuest(each, libvirt=each in starting) for each in managed])]

    async def _containers(self, states: Mapping[str, str]) -> list[Point]:
        """Containers of engines that run. states: of the files of units."""
        paths = [self._under(each) for each in commands.ENGINES]
        unseen, found = list[Observed](), list[RunningContainer]()
        try:
            answers = await Engines(self._bench, paths, self._helper, TIMEOUT_S).ask("state", unseen)
            for path, said in answers.items():
                starter, policies = next((each for word, each in ENGINES.items() if word in path), ("", frozenset()))
                found += [
                    RunningContainer(
                        each.label, each.policy or "", each.unit or "", states.get(each.unit or "", ""),
                        starter, states.get(starter, ""), policies,
                    )
                    for each in read_state(said)
                    if each.runs
                ]  # fmt: skip
        except ProbeError as error:
            return [restart.unknown("containers", str(error))]
        hidden = [restart.unknown("containers", each.why) for each in unseen if isinstance(each, Unseen)]
        return [*restart.container_points(found), *hidden]

    def _under(self, path: str) -> str:
        return str(self._root / path.lstrip("/"))

    def _files(self) -> list[Point]:
        root, points = self._root, list[Point]()
        try:
            mountinfo = os.fsdecode((root / "proc/self/mountinfo").read_bytes())
            named = {point: each.named_by for point, each in ExpectedMounts(root).named().items()}
            points += restart.mount_points(_mounted(mountinfo), named)
        except OSError as error:
            points.append(restart.unknown("mounts", f"the kernel's list cannot be read: {error.strerror}"))
        with suppress(OSError):
            points.append(restart.kernel_point(kernels.installed(root), kernels.running(root)))
        points += restart.key_points(list(self._typed()))
        return points

    def _typed(self) -> Iterator[str]:
        """Volumes of crypttab(5) without a key file or a device that holds the key."""
        with suppress(OSError):
            for line in (self._root / "etc/crypttab").read_text(encoding="utf-8", errors="replace").split("\n"):
                fields = line.split()
                if len(fields) < 2 or fields[0].startswith("#"):
                    continue
                options = set(fields[3].split(",")) if len(fields) > 3 else set[str]()
                held = any(each.startswith(("tpm2-device=", "fido2-device=", "pkcs11-uri=")) for each in options)
                asked = len(fields) < 3 or fields[2] in ("none", "-")
                if asked and not held and "noauto" not in options:
                    yield f"volume {fields[0]}"

    def _guests(self, names: Sequence[str], states: dict[str, str]) -> list[RunningGuest]:
        """The unit that each guest's process belongs to: proc(5), cmdline and cgroup."""
        found = dict[str, str]()
        for process in (self._root / "proc").glob("[0-9]*"):
            with suppress(OSError):
                words = (process / "cmdline").read_bytes().decode("utf-8", "surrogateescape").split("\0")
                name = _guest_name(words)
                if name in names:
                    group = (process / "cgroup").read_text(encoding="utf-8", errors="replace").strip()
                    found[name] = _unit_of(group)
        return [RunningGuest(name, found.get(name, ""), states.get(found.get(name, ""), "")) for name in names]

    async def _zfs(self) -> list[Point]:
        """Pools that would not be imported, and datasets whose key is typed; nothing on a host without ZFS."""
        if not (self._root / "sys/module/zfs").exists():
            return []
        try:
            pools = (await run_tool(self._bench, ("zpool", "list", "-H", "-o", "name"), TIMEOUT_S)).split()
            words = ("zfs", "get", "-Hp", "-t", "filesystem,volume", "-o", "name,value", "keylocation")
            keys = await run_tool(self._bench, words, TIMEOUT_S)
        except ProbeError as error:
            return [restart.unknown("pools", str(error))]
        rows = [line.partition("\t") for line in keys.split("\n")]
        typed = [f"dataset {name}" for name, _, value in rows if value == "prompt"]
        cached = await self._bench.workers.call("zpool.cache", lambda: self._cached(pools), TIMEOUT_S)
        wants = self._root / "etc/systemd/system/zfs-import.target.wants/zfs-import-scan.service"
        return [*restart.pool_points(pools, cached, scanned=wants.is_symlink()), *restart.key_points(typed)]

    def _cached(self, pools: Sequence[str]) -> list[str]:
        """The pools whose names are in zpool.cache: a packed list of names and values, each name with its length."""
        with suppress(OSError):
            content = (self._root / "etc/zfs/zpool.cache").read_bytes()
            return [each for each in pools if each.encode() in content]
        return []


def _unit(shown: Mapping[str, str]) -> RunningUnit:
    starters = [name for each in STARTERS for name in shown.get(each, "").split()]
    if shown.get("BusName"):
        starters.append(f"the bus name {shown['BusName']}")
    return RunningUnit(shown["Id"], shown.get("UnitFileState", ""), tuple(starters))


def _mounted(mountinfo: str) -> dict[str, str]:
    """What is mounted from a device or another machine, without what the system and its users mount on their own."""
    found = [each for each in mounts.parse(mountinfo) if each.on_device or each.type in mounts.SERVED]
    kept = [each for each in found if each.root == "/" or each.type == "btrfs"]
    return {
        each.point: each.source
        for each in kept
        if each.type not in mounts.IMAGES | {"zfs"} and not each.point.startswith(BY_HAND)
    }


def _guest_name(words: Sequence[str]) -> str:
    """The guest's name on the command line of QEMU: `-name NAME` or `-name guest=NAME,...`; empty if it is none."""
    if "qemu" not in Path(words[0]).name or "-name" not in words[:-1]:
        return ""
    said = words[words.index("-name") + 1].split(",")
    return next((each.removeprefix("guest=") for each in said if each.startswith("guest=")), said[0])


def _unit_of(group: str) -> str:
    """The innermost service or scope in a control group, as cgroups(7) shows it: `0::/system.slice/hub.service`."""
    parts = group.rpartition("::")[2].split("/")
    return next((each for each in reversed(parts) if each.endswith((".service", ".scope"))), "")
