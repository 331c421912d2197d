"""Which disk is it: one name for a disk wherever a probe mentions it, in any of the forms that tools use.

A pool names its members "ata-MODEL_SERIAL", the kernel sda, SMART the model and the serial number, and who stands
before the host needs the bay. All of them are joined here, after the probe: a reason and the facts get the name that
the operator gave (`[names]`), or else the bay. What a disk was is kept, so that one that has dropped out still has its
name. The links are udev's: udev(7). The bay is the enclosure's, where the kernel has a driver for it: ses,
drivers/misc/enclosure.c. No device is opened. Series keys stay as they are, for their history; a subject that is a disk
gets its name as a fact, which messages and the page put before the subject.
"""

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import update_wrapper
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import OWN_NAME, Condition, Facts, Observed, Unseen
from watchkeeper.model.units import HOUR_S
from watchkeeper.probes.base import Probe, ProbeContext
from watchkeeper.probes.support.block_devices import BlockDevices
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel

READ_EVERY_S = HOUR_S / 6
"""A disk that is plugged in has its name after ten minutes at the latest."""

TIMEOUT_S = 5.0

DISKS_LIMIT = 128

SERIAL_LEAST = 4
"""A shorter serial number could be part of any text."""

_DESCRIBED = 3


class Disk(BaseModel):
    """One disk. device: sda, valid while it is there. links: its names in /dev/disk/by-id. path: in by-path.

    slot: its bay, if the enclosure says so.
    """

    model_config = ConfigDict(frozen=True)

    device: str
    model: str = ""
    serial: str = ""
    links: tuple[str, ...] = ()
    path: str = ""
    slot: str = ""

    def aliases(self) -> list[str]:
        """Every name under which it may be mentioned."""
        serial = [self.serial] if len(self.serial) >= SERIAL_LEAST else []
        # The kernel speaks of an NVMe's controller as well: nvme0 for nvme0n1.
        controller = re.sub(r"^(nvme\d+)n\d+$", r"\1", self.device)
        return [each for each in (self.device, controller, self.path, *self.links, *serial) if each]

    def label(self, names: Mapping[str, str]) -> str:
        """The operator's name, or the bay; empty if there is neither."""
        own = (names[each] for each in (self.serial, *self.links, self.path, self.slot) if each in names)
        return next(own, f"bay {self.slot}" if self.slot else "")

    def description(self, names: Mapping[str, str]) -> str:
        """All that says which one it is."""
        slot = f"bay {self.slot}" if self.slot else ""
        parts = (self.label(names), slot, f"{self.model} {self.serial}".strip(), self.device, self.path)
        return "; ".join(dict.fromkeys(filter(None, parts)))


def read_disks(root: Path) -> list[Disk]:
    """Every disk that a driver serves, ordered by device."""
    by_id, by_path = _links(root / "dev/disk/by-id"), _links(root / "dev/disk/by-path")
    disks = BlockDevices(root / "sys").real_disks()[:DISKS_LIMIT]
    return [_disk(root / "sys/block" / each, by_id.get(each, []), by_path.get(each, [])) for each in disks]


def _disk(folder: Path, links: Sequence[str], paths: Sequence[str]) -> Disk:
    slots = sorted(each.name.partition(":")[2] for each in (folder / "device").glob("enclosure_device:*"))
    return Disk(
        device=printable(folder.name),
        model=clip(_text(folder / "device/model")),
        serial=clip(_text(folder / "device/serial") or _text(folder / "serial") or _page(folder / "device/vpd_pg80")),
        links=tuple(printable(each) for each in links),
        path=printable(paths[0]) if paths else "",
        slot=clip(slots[0].strip()) if slots else "",
    )


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return file.read(256).decode("ascii", "replace").strip()
    except OSError:
        return ""


def _page(path: Path) -> str:
    """The serial number in page 80h of a SCSI disk's vital product data, SPC-5: after four bytes, padded."""
    try:
        with path.open("rb") as file:
            return file.read(256)[4:].decode("ascii", "replace").strip("\0 ")
    except OSError:
        return ""


def _links(folder: Path) -> dict[str, list[str]]:
    """What leads to each device, in order."""
    found: dict[str, list[str]] = {}
    try:
        names = sorted(os.listdir(folder))  # noqa: PTH208  names are all that is wanted
    except OSError:
        return {}
    for name in names:
        try:
            found.setdefault(os.path.basename(os.readlink(folder / name)), []).append(name)  # noqa: PTH115, PTH119
        except OSError:
            continue
    return found


class KnownDisks(StateModel):
    """Every disk that was there, by its serial number or else its first link."""

    disks: Mapping[str, Disk] = Field(default_factory=dict)


class Naming:
    """Adds what is known about disks to texts. disks: those that are there first, then those that were."""

    def __init__(self, disks: Iterable[Disk], names: Mapping[str, str]) -> None:
        self._names = {_plain(key): printable(name) for key, name in names.items()}
        self._by_alias: dict[str, Disk] = {}
        for disk in disks:
            for alias in disk.aliases():
                self._by_alias.setdefault(alias, disk)
        # One behind a controller has only the name by which a tool knows it.
        for key in self._names:
            if len(key) >= SERIAL_LEAST:
                self._by_alias.setdefault(key, Disk(device="", links=(key,)))
        words = "|".join(re.escape(each) for each in sorted(self._by_alias, key=len, reverse=True))
        # A partition is on the disk: sda1, nvme0n1p2, ata-…-part1.
        self._mention = re.compile(rf"(?<![\w.:-])({words})(?:-part\d+|p?\d{{1,3}})?(?![\w-])") if words else None

    def applied(self, seen: Observed) -> Observed:
        """The observation with the names of the disks that it mentions."""
        if isinstance(seen, Unseen) or self._mention is None:
            return seen
        own, reason = self._disks(seen.key.subject), seen.reason if isinstance(seen, Condition) else ""
        label = own[0].label(self._names) if own else ""
        facts = self._facts([*own, *self._disks(reason)]) + seen.facts
        if label:
            facts = ((OWN_NAME, label), *facts)
        if not isinstance(seen, Condition) or not reason or label:
            return replace(seen, facts=facts)
        return replace(seen, facts=facts, reason=self._named(reason))

    def _disks(self, text: str) -> list[Disk]:
        """The disks that a text mentions, each once."""
        found = self._mention.finditer(text) if self._mention else ()
        return list(dict.fromkeys(self._by_alias[each[1]] for each in found))

    def _facts(self, disks: Sequence[Disk]) -> Facts:
        return tuple(("which disk", each.description(self._names)) for each in dict.fromkeys(disks))[:_DESCRIBED]

    def _named(self, reason: str) -> str:
        """The text with each disk's name where it is first mentioned."""
        named: set[Disk] = set()

        def with_label(found: re.Match[str]) -> str:
            disk = self._by_alias[found[1]]
            label = "" if disk in named else disk.label(self._names)
            named.add(disk)
            return f"{found[0]} ({label})" if label else found[0]

        return self._mention.sub(with_label, reason) if self._mention else reason


def _plain(key: str) -> str:
    """A key of the configuration: with or without the folder of the link."""
    return key.removeprefix("/dev/disk/by-id/").removeprefix("/dev/disk/by-path/")


class WithDiskNames:
    """A probe whose observations say which disk they are about."""

    def __init__(self, probe: Probe, settings: ProbeSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /sys and /dev, for tests."""
        self.probe, self.names, self._bench, self._root = probe, bench.disk_names, bench, root
        self._thing = f"{settings.label}: disks"
        self._state = ProbeState(bench.probe_states, self._thing, KnownDisks())
        self._naming = Naming((), {})
        self._read_s: float | None = None

    async def observe(self) -> Sequence[Observed]:
        """Observe, and name the disks. Raises what the probe raises."""
        seen = await self.probe.observe()
        now_s = self._bench.clock.monotonic_s()
        if self._read_s is None or now_s - self._read_s >= READ_EVERY_S:
            self._read_s = now_s
            await self._read()
        return [self._naming.applied(each) for each in seen]

    async def close(self) -> None:
        """Close the probe."""
        await self.probe.close()

    async def _read(self) -> None:
        """Look which disks there are. If that fails, the names stay as they are."""
        try:
            there = await self._bench.workers.call(self._thing, lambda: read_disks(self._root), TIMEOUT_S)
        except (ProbeError, OSError):
            return
        known = dict((await self._state.read()).disks)
        for each in there:
            if key := each.serial or next(iter(each.links), ""):
                # The letter belongs to another disk once this one is gone.
                known[key] = each.model_copy(update={"device": ""})
        kept = dict(list(known.items())[-DISKS_LIMIT:])
        await self._state.write(KnownDisks(disks=kept))
        self._naming = Naming([*there, *kept.values()], self.names)


def with_disk_names(make: Callable[..., Probe]) -> Callable[..., WithDiskNames]:
    """Make a probe of this kind with names of disks. The result says in which module the probe is."""

    def made(settings: ProbeSettings, bench: ProbeContext) -> WithDiskNames:
        return WithDiskNames(make(settings, bench), settings, bench)

    return update_wrapper(made, make, assigned=("__module__",), updated=())
