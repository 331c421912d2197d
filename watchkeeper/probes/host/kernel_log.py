"""What the kernel says in its log about faulty disks, file systems and memory, read from the system's journal.

Only what came since the last look is read, from a cursor that is kept across restarts: journalctl(1). Which messages
mean a fault is in kernel_messages.py. Each device with a fault has one condition, faulty until it has been quiet for a
day.
"""

import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import PrivilegeMissing, ToolMissing
from watchkeeper.model.observation import Condition, Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.host.kernel_messages import KernelFault, fault_of
from watchkeeper.probes.support.block_devices import BlockDevices
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.state import ProbeState, StateModel
from watchkeeper.probes.support.tools import run_tool

MESSAGES_LIMIT = 5000
"""Newest messages read in one look; a disk that dies writes thousands a minute, which all say the same."""

FIRST_LOOK = "-1h"
"""How far back the first look reads: older faults may have been repaired long ago."""

DEVICES_LIMIT = 100

FORGOTTEN_AFTER = timedelta(days=30)
"""A device without a fault for this long has no condition any more."""

READ = SeriesKey("kernel log", "read")
"""The proof that the kernel's messages are read: OK even if there was none."""

NO_JOURNAL = "the system's journal shows this user no messages of the kernel; add the user to the group systemd-journal"


NO_KERNEL = "the system's journal holds no messages of the kernel; systemd-journald must run and read them"
"""For root, who may read all of it."""


class KernelLogSettings(ProbeSettings):
    """Faults that the kernel writes into its log: I/O errors, resets of disks, damaged file systems, hung tasks."""

    kind: Literal["kernel-log"] = "kernel-log"
    every: Duration = Field(120.0, description="time between runs")
    timeout: Duration = Field(20.0, description="time after which reading the system's journal is abandoned")
    remembered: Duration = Field(86_400.0, description="how long a fault is reported after the last message about it")


def _text(value: object) -> str:
    """A field of the journal: a text, or a list of bytes if it is not UTF-8; of several values, the first."""
    if isinstance(value, list) and value and all(isinstance(each, int) and 0 <= each < 256 for each in value):
        return bytes(value).decode("utf-8", "replace")
    return str(value[0]) if isinstance(value, list) and value else str(value)


class _Entry(BaseModel):
    """One entry, as `--output=json` writes it: systemd.journal-fields(7)."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    cursor: str = Field(alias="__CURSOR", max_length=1000)
    micros: int = Field(alias="__REALTIME_TIMESTAMP", ge=0, le=2**53)
    message: Annotated[str, BeforeValidator(_text)] = Field("", alias="MESSAGE")


class DeviceFault(BaseModel):
    """The faults of one device. sorts: each sort of fault with the number of messages. first_at, last_at: of these."""

    model_config = ConfigDict(frozen=True)

    subject: str
    device: str
    sorts: Mapping[str, int]
    first_at: AwareDatetime
    last_at: AwareDatetime
    message: str = ""


class KernelLogState(StateModel):
    """cursor: of the last entry that was read. faults: by subject and device."""

    cursor: str = ""
    faults: Mapping[str, DeviceFault] = Field(default_factory=dict)


class KernelLogProbe(BaseProbe):
    """Reads the kernel's messages."""

    def __init__(
        self, settings: KernelLogSettings, bench: ProbeContext, blocks: BlockDevices | None = None, proc: str = "/proc"
    ) -> None:
        self._settings, self._bench = settings, bench
        self._blocks, self._proc = blocks or BlockDevices(), proc
        self._state = ProbeState(bench.probe_states, settings.label, KernelLogState())

    async def observe(self) -> Sequence[Observed]:
        """Read what is new. Raises ProbeError if the journal does not answer."""
        state = await self._state.read()
        try:
            entries = await self._entries(state.cursor)
        except (ToolMissing, PrivilegeMissing) as error:
            return [Unseen("messages of the kernel", str(error))]
        if entries is None:
            return [Unseen("messages of the kernel", NO_JOURNAL if os.geteuid() else NO_KERNEL)]
        now = self._bench.clock.now()
        faults = _added(state.faults, entries, now)
        cursor = entries[-1].cursor if entries else state.cursor
        await self._state.write(KernelLogState(cursor=cursor, faults=faults))
        return self._conditions(faults, now)

    async def _entries(self, cursor: str) -> Sequence[_Entry] | None:
        """The entries since a cursor, oldest first; None if this user sees none of the kernel's at all."""
        since = f"--after-cursor={cursor}" if cursor else f"--since={FIRST_LOOK}"
        found = _read(await self._journal(since, "--priority=warning", f"--lines={MESSAGES_LIMIT}"))
        if found:
            return found
        # Nothing new, or nothing to see: every boot begins with messages of the kernel.
        newest = _read(await self._journal("--boot", "--lines=1"))
        return [each.model_copy(update={"message": ""}) for each in newest] if newest else None

    async def _journal(self, *words: str) -> str:
        fixed = ("journalctl", "--dmesg", "--quiet", "--output=json", "--no-pager")
        return await run_tool(self._bench, (*fixed, *words), self._settings.timeout)

    def _conditions(self, faults: Mapping[str, DeviceFault], now: datetime) -> list[Observed]:
        if not faults:
            return [Condition(READ, ok=True)]
        text = (Path(self._proc) / "self/mountinfo").read_bytes()
        mounted = mounts.parse(os.fsdecode(text))
        seen = [self._condition(each, now, mounted) for each in faults.values()]
        return [Condition(READ, ok=True), *seen]

    def _condition(self, fault: DeviceFault, now: datetime, mounted: Sequence[mounts.Mount]) -> Condition:
        subject = f"{fault.subject} {printable(fault.device)}" if fault.device else fault.subject
        key = SeriesKey(subject, "kernel messages")
        facts: Facts = (("last message", clip(fault.message, 200)), ("at", f"{fault.last_at:%Y-%m-%d %H:%M} UTC"))
        disks = self._blocks.behind(fault.device) or sorted(self._blocks.disks_below(fault.device))
        if disks and disks != [fault.device]:
            facts += (("disk", clip(", ".join(disks))),)
        points = sorted({point for disk in disks for point in self._blocks.mounted_on(disk, mounted)})
        if points:
            facts += (("file systems on it", clip(", ".join(map(printable, points)), 200)),)
        if (now - fault.last_at).total_seconds() >= self._settings.remembered:
            return Condition(key, ok=True, facts=facts)
        listed = ", ".join(f"{what} ({count})" for what, count in fault.sorts.items())
        since = format_duration(max(now - fault.first_at, timedelta(minutes=1)).total_seconds() // 60 * 60)
        return Condition(key, ok=False, reason=f"the kernel reports {clip(listed, 200)} within {since}", facts=facts)


def _read(text: str) -> list[_Entry]:
    """The entries that can be read; journald can write what is no JSON of ours, and a later version may add fields."""
    found = []
    for line in text.split("\n"):
        if line.startswith("{"):
            try:
                found.append(_Entry.model_validate_json(line.encode("utf-8", "surrogateescape")))
            except (ValidationError, ValueError):
                continue
    return found


def _added(before: Mapping[str, DeviceFault], entries: Sequence[_Entry], now: datetime) -> dict[str, DeviceFault]:
    """The faults with those of new entries. What was quiet for long is dropped."""
    faults = {name: each for name, each in before.items() if now - each.last_at < FORGOTTEN_AFTER}
    for entry in entries:
        if found := fault_of(entry.message):
            at = min(datetime.fromtimestamp(entry.micros / 1e6, UTC), now)
            name = f"{found.subject} {found.device}"
            faults[name] = _with(faults.get(name), found, at, clip(entry.message, 300))
    newest = sorted(faults.items(), key=lambda item: item[1].last_at)[-DEVICES_LIMIT:]
    return dict(sorted(newest))


def _with(before: DeviceFault | None, found: KernelFault, at: datetime, message: str) -> DeviceFault:
    if before is None or at - before.last_at > timedelta(days=1):
        return DeviceFault(
            subject=found.subject,
            device=found.device,
            sorts={found.what: 1},
            first_at=at,
            last_at=at,
            message=message,
        )
    sorts = {**before.sorts, found.what: before.sorts.get(found.what, 0) + 1}
    return before.model_copy(update={"sorts": sorts, "last_at": max(at, before.last_at), "message": message})
