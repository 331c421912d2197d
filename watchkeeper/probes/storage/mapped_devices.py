"""Layers between file systems and disks: targets of the device mapper, and bcache, that report a fault.

The file system above one of them works on, without its cache or with damaged data below. The forms of the status lines
are those of the kernel's Documentation/admin-guide/device-mapper (cache, dm-integrity, verity, writecache, snapshot,
vdo) and of drivers/md/dm-stripe.c; bcache's files are described in admin-guide/bcache.rst. dm-crypt prints no status.
Not here: thin pools and LVM's own RAID (lvm/volume_groups.py), and errors in the kernel's log (host/kernel_log.py).
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal, NamedTuple

from pydantic import Field

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Facts, Observed, SeriesKey, Unseen
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, result_of

MAPPED, BCACHE = SeriesKey("mapped devices", "layers"), SeriesKey("bcache devices", "layers")

NAMED_LIMIT = 5

_LINE = re.compile(r"(?P<name>.+?): \d+ \d+ (?P<target>[a-z][a-z0-9-]*) ?(?P<rest>.*)")


class MappedDevicesSettings(RootsideSettings):
    """Targets of the device mapper (cache, integrity, verity and others) and bcache. Needs the helper."""

    kind: Literal["mapped-devices"] = "mapped-devices"
    every: Duration = Field(300.0, description="time between runs")
    exclude: tuple[str, ...] = Field((), description="mapped devices that are not monitored, by name; globs")


class Fault(NamedTuple):
    """What is wrong with one device. grave: it has stopped working, or its data is damaged."""

    device: str
    reason: str
    grave: bool = False


class MappedDevicesProbe(BaseProbe):
    """Monitors every mapped device and every bcache device."""

    def __init__(self, settings: MappedDevicesSettings, context: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /sys, for tests."""
        self._settings, self._context, self._sys = settings, context, root / "sys"
        self._suspended: frozenset[str] = frozenset()

    async def observe(self) -> Sequence[Observed]:
        """Read the kernel's files, and ask the helper for the status of the targets."""
        work, timeout_s = self._read, self._settings.timeout
        names, suspended, caches = await self._context.workers.call("mapped devices", work, timeout_s)
        # A device is suspended for a moment whenever its table is changed.
        lasting, self._suspended = suspended & self._suspended, suspended
        faults = [Fault(each, "it is suspended: its reads and writes wait", grave=True) for each in sorted(lasting)]
        seen: list[Observed] = [_condition(BCACHE, caches)] if any(self._sys.glob("block/bcache*")) else []
        if not names:
            return [_condition(MAPPED, ()), *seen]
        try:
            results = await ask_root(self._context, "mapped-devices", self._settings.helper, timeout_s)
            status = read_status(result_of(results, "dmsetup", timeout_s))
        except (ToolMissing, ProbeError) as error:
            missing = Unseen("status of mapped devices", str(error))
            return [*([_condition(MAPPED, faults)] if faults else []), missing, *seen]
        faults += [each for each in faults_of(status) if not self._left_out(each.device)]
        return [_condition(MAPPED, faults, (("devices", str(len(names))),)), *seen]

    def _read(self) -> tuple[frozenset[str], frozenset[str], list[Fault]]:
        """The mapped devices, those of them that are suspended, and what is wrong with bcache."""
        devices = {_text(each / "name"): each for each in self._sys.glob("block/dm-*/dm")}
        names = frozenset(name for name in devices if name and not self._left_out(name))
        suspended = frozenset(name for name in names if _text(devices[name] / "suspended") == "1")
        return names, suspended, list(bcache_faults(self._sys))

    def _left_out(self, name: str) -> bool:
        return any(fnmatchcase(name, glob) for glob in self._settings.exclude)


def read_status(text: str) -> list[tuple[str, str, Sequence[str]]]:
    """Name, target and words of each line of `dmsetup status`. Other lines are left out."""
    found = (_LINE.fullmatch(line.strip()) for line in text.split("\n"))
    return [(each["name"], each["target"], each["rest"].split()) for each in found if each]


def faults_of(status: Sequence[tuple[str, str, Sequence[str]]]) -> Iterator[Fault]:
    """What the targets report. A target that is not known here reports nothing."""
    for name, target, words in status:
        judge = TARGETS.get(target)
        reason, grave = judge(words) if judge else ("", False)
        if reason:
            yield Fault(name, reason, grave)


Verdict = tuple[str, bool]
WELL: Verdict = "", False


def _cache(words: Sequence[str]) -> Verdict:
    if words[:1] in (["Fail"], ["Error"]):
        return "its cache has failed and cannot be read or written", True
    if "needs_check" in words:
        return "the metadata of its cache needs a check with cache_check", True
    return ("the metadata of its cache is read-only", True) if "ro" in words[-2:] else WELL


def _integrity(words: Sequence[str]) -> Verdict:
    count = _number(words, 0)
    return (f"{count} blocks did not match their checksums", True) if count else WELL


def _verity(words: Sequence[str]) -> Verdict:
    return ("its data does not match its checksums", True) if words[:1] == ["C"] else WELL


def _writecache(words: Sequence[str]) -> Verdict:
    error = _number(words, 0)
    return (f"its write cache has failed with error {error}", True) if error else WELL


def _snapshot(words: Sequence[str]) -> Verdict:
    if words[:1] == ["Overflow"]:
        return "the snapshot has no space left and is lost", False
    bad = words[:1] == ["Invalid"] or words[:2] == ["Merge", "failed"]
    return (f"the snapshot is lost: {' '.join(words[:2])}", False) if bad else WELL


def _striped(words: Sequence[str]) -> Verdict:
    return ("one of its disks has failed", True) if words and "D" in words[-1] and set(words[-1]) <= set("AD") else WELL


def _vdo(words: Sequence[str]) -> Verdict:
    return ("it has become read-only", True) if words[1:2] == ["read-only"] else WELL


def _error(_words: Sequence[str]) -> Verdict:
    return "a part of it fails each read and write: a disk of it is missing", True


TARGETS: Mapping[str, Callable[[Sequence[str]], Verdict]] = {
    "cache": _cache,
    "error": _error,
    "integrity": _integrity,
    "snapshot": _snapshot,
    "snapshot-merge": _snapshot,
    "striped": _striped,
    "vdo": _vdo,
    "verity": _verity,
    "writecache": _writecache,
}
"""Target -> what its status line means: the fault, and whether it is grave."""


def bcache_faults(sysfs: Path) -> Iterator[Fault]:
    """What bcache reports: lost data, and errors of the caching disks and of the disks behind them."""
    for device in sorted(sysfs.glob("block/bcache*/bcache")):
        name = device.parent.name
        if _text(device / "state") == "inconsistent":
            yield Fault(name, "it was started without its cache, which held data that was not written", grave=True)
        if count := _number([_text(device / "io_errors")], 0):
            yield Fault(name, f"{count} reads or writes of the disk behind it failed")
    for cache in sorted(sysfs.glob("fs/bcache/*/cache[0-9]*")):
        if count := _number([_text(cache / "io_errors")], 0):
            yield Fault(f"cache set {cache.parent.name[:8]}", f"{count} reads or writes of its caching disk failed")


def _text(path: Path) -> str:
    """A small file of the kernel; empty if it cannot be read."""
    try:
        with path.open("rb") as file:
            return file.read(256).decode("utf-8", "replace").strip()
    except OSError:
        return ""


def _number(words: Sequence[str], place: int) -> int:
    """A number; 0 if there is none."""
    text = words[place] if len(words) > place else ""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= 20 else 0


def _condition(key: SeriesKey, faults: Sequence[Fault], facts: Facts = ()) -> Condition:
    said = [f"{clip(printable(each.device), 60)}: {each.reason}" for each in faults[:NAMED_LIMIT]]
    more = f" and {len(faults) - NAMED_LIMIT} more" if len(faults) > NAMED_LIMIT else ""
    reason = clip("; ".join(said), 400) + more
    return Condition(key, not reason, reason, grave=any(each.grave for each in faults), facts=facts)
