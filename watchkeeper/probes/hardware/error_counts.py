"""Reads what the kernel counts of hardware errors, all since the boot. Not here: what a rise means (hardware.py).

The formats: Documentation/ABI/testing/sysfs-devices-edac (memory modules), sysfs-bus-pci-devices-aer_stats (PCI
Express), Documentation/arch/x86/x86_64/machinecheck.rst and the names in /proc/interrupts (machine checks), and
drivers/thermal/intel/therm_throt.c (throttling; Intel processors only).
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from watchkeeper.probes.hardware.hwmon import listed, number, text
from watchkeeper.probes.support.sanitize import clip, printable

AER = ("correctable", "nonfatal", "fatal")

_AER_TOTAL = re.compile(r"TOTAL_ERR_(?:COR|NONFATAL|FATAL) (\d{1,18})\s*", re.ASCII)
_FILE_LIMIT_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class MemoryController:
    """One memory controller. modules: the labels of those that had errors."""

    name: str
    corrected: int
    uncorrected: int
    modules: tuple[str, ...] = ()


def memory_controllers(root: Path) -> list[MemoryController]:
    """Those that a driver of EDAC serves; only with ECC memory. One without counts is left out."""
    return [*filter(None, map(_controller, listed(root / "sys/devices/system/edac/mc", "mc[0-9]*")))]


def _controller(folder: Path) -> MemoryController | None:
    corrected, uncorrected = number(folder / "ce_count"), number(folder / "ue_count")
    if corrected is None or uncorrected is None:
        return None
    return MemoryController(folder.name, corrected, uncorrected, tuple(_faulty_modules(folder)))


def _faulty_modules(folder: Path) -> Iterator[str]:
    for module in [*listed(folder, "dimm[0-9]*"), *listed(folder, "rank[0-9]*")]:
        if number(module / "dimm_ce_count") or number(module / "dimm_ue_count"):
            yield clip(text(module / "dimm_label") or module.name)


def pci_errors(root: Path) -> dict[str, tuple[int, int, int]]:
    """The corrected, not fatal and fatal errors of each device that reports them, by its address."""
    found = {}
    for first in (root / "sys/bus/pci/devices").glob("*/aer_dev_correctable"):
        counts = tuple(_aer_total(first.with_name(f"aer_dev_{sort}")) for sort in AER)
        found[printable(first.parent.name)] = (counts[0], counts[1], counts[2])
    return found


def _aer_total(path: Path) -> int:
    """The last line has the sum; 0 without one."""
    try:
        found = _AER_TOTAL.search(path.read_text("ascii", "replace")[-_FILE_LIMIT_BYTES:])
    except OSError:
        return 0
    return int(found[1]) if found else 0


def machine_checks(root: Path) -> int | None:
    """Machine check exceptions of all processors: errors that the hardware could not correct; or None."""
    try:
        with (root / "proc/interrupts").open("rb") as file:
            lines = file.read(_FILE_LIMIT_BYTES).decode("ascii", "replace").split("\n")
    except OSError:
        return None
    rows = [line.split() for line in lines if line.lstrip().startswith("MCE:")]
    return sum(int(word) for word in rows[0][1:] if word.isdecimal()) if rows else None


def throttled(root: Path) -> int | None:
    """How often the processors were slowed down because they were hot; None if they do not count it.

    Cores of one package count the same events in package_throttle_count, so the largest of each is taken.
    """
    counts = [
        (number(folder / "core_throttle_count"), number(folder / "package_throttle_count"))
        for folder in (root / "sys/devices/system/cpu").glob("cpu[0-9]*/thermal_throttle")
    ]
    core = sum(each for each, _ in counts if each)
    package = max((each for _, each in counts if each), default=0)
    return max(core, package) if counts else None
