"""The counters of a disk that foretell its end, from smartctl's JSON. Pure. Not here: what a rise means (signs.py).

Manufacturers use one attribute number for different things, and pack several counters into one raw value. smartctl's
drive database names the attributes of the models that it knows and says how to print them, so an attribute counts only
by its number and its name there, and its value is read from what smartctl prints. Of other models the values are
shown and not judged, unless the disk has the counter in its device statistics, which ACS-4 defines for all.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from watchkeeper.probes.storage.smart.fields import Report, statistics, table, tables, text, whole

REALLOCATED = "reallocated sectors"
REPORTED = "uncorrectable errors"
TIMEOUTS = "command timeouts"
PENDING = "pending sectors"
UNREADABLE = "unreadable sectors"
MEDIA = "media errors"
INTERFACE = "interface errors"
UNSAFE = "unsafe shutdowns"

_ATTRIBUTES: Mapping[int, tuple[str, frozenset[str]]] = MappingProxyType(
    {
        5: (
            REALLOCATED,
            frozenset(
                {
                    "Reallocated_Sector_Ct",
                    "Reallocated_Block_Count",
                    "Reallocate_NAND_Blk_Cnt",
                    "Retired_Block_Count",
                }
            ),
        ),
        187: (
            REPORTED,
            frozenset({"Reported_Uncorrect", "Uncorrectable_Error_Cnt", "Uncorrectable_ECC_Ct", "Reported_UE_Counts"}),
        ),
        188: (TIMEOUTS, frozenset({"Command_Timeout", "Command_Timeouts"})),
        197: (PENDING, frozenset({"Current_Pending_Sector", "Pending_Sector_Count", "Total_Pending_Sectors"})),
        198: (UNREADABLE, frozenset({"Offline_Uncorrectable", "Total_Offl_Uncorrectabl"})),
        199: (
            INTERFACE,
            frozenset({"UDMA_CRC_Error_Count", "CRC_Error_Count", "SATA_CRC_Error_Count", "SATA_CRC_Error"}),
        ),
    }
)
"""By number: what it counts, and the names by which the drive database of smartmontools 7.3 confirms that."""

_NEVER_FALL = frozenset({"Total_Pending_Sectors", "Total_Offl_Uncorrectabl"})
"""The names of 197 and 198 on models that do not reset them when a sector is written again: smartctl(8), `-v
197,increasing`. Their value says nothing about now, only their growth does."""

_STATISTICS = MappingProxyType(
    {
        "Number of Reallocated Logical Sectors": REALLOCATED,
        "Number of Reported Uncorrectable Errors": REPORTED,
        "Number of Realloc. Candidate Logical Sectors": PENDING,
        "Number of Interface CRC Errors": INTERFACE,
    }
)
"""Device statistics of ACS-4, as smartctl writes their names."""

_PLAIN = re.compile(r"(\d{1,10})(?: \(\d+(?: \d+)*\))?")
"""raw48, and raw16(raw16) or the like: one counter, with others in brackets if they are not 0."""

_THREE = re.compile(r"\d+ \d+ (\d{1,10})")
"""raw16: three counters, the highest word first. The lowest one counts events; the others count slow commands."""

_PACKED_FROM = 2**32
"""A count as high as this is several counters in one value, which the database does not know yet."""


@dataclass(frozen=True, slots=True)
class Counter:
    """One counter. source: where it is from; its history is kept apart, since others count differently.

    judged: whether it is known what it counts. standing: whether it counts what is faulty now, not what ever was.
    """

    name: str
    value: int
    source: str
    judged: bool = True
    standing: bool = False


def read_counters(said: Report) -> tuple[Counter, ...]:
    """Every counter of a report, each once: an attribute of a known model before a statistic, before other values."""
    found: dict[str, Counter] = {}
    for each in (*_attributes(said), *_statistics(said), *_scsi(said), *_nvme(said)):
        known = found.get(each.name)
        if known is None or (each.judged and not known.judged):
            found[each.name] = each
    return tuple(found.values())


def _attributes(said: Report) -> Iterator[Counter]:
    listed = said.get("in_smartctl_database") is True
    for row in tables(table(said, "ata_smart_attributes").get("table")):
        number = whole(row.get("id")) or 0
        if number not in _ATTRIBUTES:
            continue
        name, names = _ATTRIBUTES[number]
        called, raw = text(row.get("name")), table(row, "raw")
        count = _count(text(raw.get("string"))) if listed and called in names else None
        source = f"attribute {number}"
        if count is not None:
            yield Counter(name, count, source, standing=_stands(name) and called not in _NEVER_FALL)
        elif (value := whole(raw.get("value"))) is not None and (not called or called in names):
            yield Counter(name, value, source, judged=False)


def _count(printed: str) -> int | None:
    """The counter in a raw value as smartctl prints it; None if its form is another one, or it must be packed."""
    found = _PLAIN.fullmatch(printed) or _THREE.fullmatch(printed)
    return int(found[1]) if found and int(found[1]) < _PACKED_FROM else None


def _stands(name: str) -> bool:
    return name in {PENDING, UNREADABLE}


def _statistics(said: Report) -> Iterator[Counter]:
    for called, value in statistics(said).items():
        if name := _STATISTICS.get(called):
            yield Counter(name, int(value), "statistics", standing=_stands(name))


def _scsi(said: Report) -> Iterator[Counter]:
    """SAS: the list of grown defects, and errors that its codes could not correct (SPC-5, error counter log pages)."""
    defects = whole(said.get("scsi_grown_defect_list"))
    if defects is not None:
        yield Counter(REALLOCATED, defects, "grown defects")
    log = table(said, "scsi_error_counter_log")
    errors = [whole(table(log, each).get("total_uncorrected_errors")) for each in ("read", "write", "verify")]
    if any(each is not None for each in errors):
        yield Counter(REPORTED, sum(each or 0 for each in errors), "error counter log")


def _nvme(said: Report) -> Iterator[Counter]:
    """NVM Express base specification, SMART / Health Information."""
    health = table(said, "nvme_smart_health_information_log")
    for member, name in (("media_errors", MEDIA), ("unsafe_shutdowns", UNSAFE)):
        if (value := whole(health.get(member))) is not None:
            yield Counter(name, value, "NVMe")
