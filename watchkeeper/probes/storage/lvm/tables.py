"""Parses the output of lvs, vgs and dmsetup into records. Pure. Not here: running the tools, judging their output.

lvs and vgs print JSON. `dmsetup status` prints the kernel's own line for each thin pool, whose fields the kernel's
documentation fixes (admin-guide/device-mapper/thin-provisioning.rst); lvs has the same only in hundredths of a percent.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from watchkeeper.errors import ProbeError

_THIN_STATUS = re.compile(
    r"(?P<name>.+?): \d+ \d+ thin-pool (?P<rest>.+)",
)
_USED_OF = re.compile(r"(\d+)/(\d+)")


@dataclass(frozen=True, slots=True)
class Volume:
    """One logical volume. data_share, metadata_share: 0 to 1, None if they do not apply or are not known."""

    group: str
    name: str
    attributes: str
    size_bytes: int
    pool: str
    origin: str
    data_share: float | None
    metadata_share: float | None
    metadata_size_bytes: int | None
    made_at: datetime | None
    health: str
    when_full: str
    monitored: bool

    @property
    def full_name(self) -> str:
        """Group and volume, as LVM's tools accept it."""
        return f"{self.group}/{self.name}"

    @property
    def kind(self) -> str:
        """The first attribute, lvs(8): t thin pool, V thin volume, s snapshot with its own space, o its origin."""
        return self.attributes[:1]

    @property
    def hidden(self) -> bool:
        """Whether it is a part of another volume, which lvs shows in brackets."""
        return self.name.startswith("[")


@dataclass(frozen=True, slots=True)
class Group:
    """One volume group, in bytes."""

    name: str
    size_bytes: int
    free_bytes: int
    missing: int


@dataclass(frozen=True, slots=True)
class ThinStatus:
    """The kernel's own count of a thin pool's blocks, and its state.

    mode: `rw`, `ro` (metadata failed or full), `out_of_data_space`; `Fail` if it no longer accepts any I/O.
    """

    mode: str
    needs_check: bool = False
    metadata_used: int = 0
    metadata_total: int = 0
    data_used: int = 0
    data_total: int = 0


def _report(text: str, kind: str) -> list[dict[str, Any]]:
    try:
        rows = [row for part in json.loads(text)["report"] for row in part[kind]]
    except (ValueError, KeyError, TypeError) as error:
        raise ProbeError(f"{kind}s did not print a valid JSON report: {error}") from error
    if not all(isinstance(row, dict) for row in rows):
        raise ProbeError(f"{kind}s did not print a JSON report")
    return rows


def _whole(text: object, what: str) -> int:
    """Bytes; some versions append a B or print a fraction."""
    try:
        return int(float(str(text).rstrip("Bb")))
    except (ValueError, OverflowError):
        raise ProbeError(f'LVM printed "{str(text)[:40]}" as {what}, expected a number') from None


def _share(text: object) -> float | None:
    try:
        return float(str(text)) / 100
    except ValueError:
        return None


def _time(text: str) -> datetime | None:
    """Parse seconds since 1970, or LVM's default time format."""
    try:
        if text.isdecimal():
            return datetime.fromtimestamp(int(text), UTC)
        return datetime.strptime(text, "%Y-%m-%d %H:%M:%S %z").astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        return None


def read_volumes(text: str) -> list[Volume]:
    """The volumes in a report of lvs. Raises ProbeError if it is not one."""
    return [_volume(row) for row in _report(text, "lv")]


def _volume(row: Mapping[str, Any]) -> Volume:
    metadata_size = str(row.get("lv_metadata_size", ""))
    return Volume(
        group=str(row.get("vg_name", "")),
        name=str(row.get("lv_name", "")),
        attributes=str(row.get("lv_attr", "")),
        size_bytes=_whole(row.get("lv_size", ""), "the size of a volume"),
        pool=str(row.get("pool_lv", "")),
        origin=str(row.get("origin", "")),
        data_share=_share(row.get("data_percent", "")),
        metadata_share=_share(row.get("metadata_percent", "")),
        metadata_size_bytes=_whole(metadata_size, "a metadata size") if metadata_size else None,
        made_at=_time(str(row.get("lv_time", ""))),
        health=str(row.get("lv_health_status", "")),
        when_full=str(row.get("lv_when_full", "")),
        monitored=row.get("seg_monitor") == "monitored",
    )


def read_groups(text: str) -> list[Group]:
    """The groups in a report of vgs. Raises ProbeError if it is not one."""
    return [
        Group(
            str(row.get("vg_name", "")),
            _whole(row.get("vg_size", ""), "the size of a group"),
            _whole(row.get("vg_free", ""), "the free space of a group"),
            _whole(row.get("vg_missing_pv_count", "0"), "a number of missing disks"),
        )
        for row in _report(text, "vg")
    ]


def read_thin_status(text: str) -> dict[str, ThinStatus]:
    """Thin pools by device mapper name, from `dmsetup status --target thin-pool`. Other lines are ignored."""
    found = {}
    for line in text.split("\n"):
        match = _THIN_STATUS.fullmatch(line.strip())
        if match:
            found[match.group("name")] = _thin_status(match.group("rest").split())
    return found


def _thin_status(words: list[str]) -> ThinStatus:
    """Transaction, metadata used/total, data used/total, held root, mode, and options; or the one word Fail."""
    counts = [each for word in words if (each := _USED_OF.fullmatch(word))]
    mode = next((word for word in words if word in {"rw", "ro", "out_of_data_space", "Fail"}), "")
    if len(counts) < 2:
        return ThinStatus(mode or "Error")
    (metadata_used, metadata_total), (data_used, data_total) = (
        (int(each.group(1)), int(each.group(2))) for each in counts[:2]
    )
    return ThinStatus(mode, "needs_check" in words, metadata_used, metadata_total, data_used, data_total)


def mapper_name(group: str, pool: str) -> str:
    """The device mapper's name of a thin pool."""
    return f"{device_name(group, pool)}-tpool"


def device_name(group: str, volume: str) -> str:
    """The device mapper's name of a volume: hyphens are doubled, and a single one separates the parts."""
    return f"{group.replace('-', '--')}-{volume.replace('-', '--')}"
