"""What guests' kernels write on serial consoles that are kept in files: kills for memory, and faults.

An agent does not report either. Only what came since the last look is read. What a guest writes may be hostile: it is
bounded, and names are made safe to show. The text of a kill is that of mm/oom_kill.c in the kernel's source.
"""

import glob
import os
import re
import stat
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from pydantic import AwareDatetime, BaseModel, ConfigDict

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Facts, SeriesKey, Unseen
from watchkeeper.model.units import format_duration
from watchkeeper.os_errors import explained
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host.kernel_messages import fault_of
from watchkeeper.probes.support.sanitize import clip, printable

PART_LIMIT_BYTES = 256 * 1024
"""Read in one look; of more, the end. A kernel that reports the same fault without end says nothing new."""

LINE_LIMIT = 1024
"""Of one line, in characters: that is what the kernel's own buffer holds."""

EVENTS_LIMIT = 100
"""Remembered of one guest."""

FILES_LIMIT = 256
NAMES_SHOWN = 3

_STAMP = re.compile(r"(?:<\d{1,3}>)?\[ {0,6}\d{1,8}\.\d{6}\](?:\[ *[TC]\d{1,9}\])? ")
"""What the kernel puts before a message on a console."""

_KILL = re.compile(r"(?:[\w ]{0,40}: )?Killed process \d{1,9} \((.{1,64}?)\),? (?:total-vm|UID|anon-rss)")
_PANIC = "Kernel panic - not syncing"


class ConsoleEvent(BaseModel):
    """A kill, with the name of the program, or a fault in words; at: when it was read."""

    model_config = ConfigDict(frozen=True)

    at: AwareDatetime
    what: str


class KnownConsole(BaseModel):
    """What is remembered of one file. inode, offset: how far it was read."""

    model_config = ConfigDict(frozen=True)

    inode: int = 0
    offset: int = 0
    kills: tuple[ConsoleEvent, ...] = ()
    faults: tuple[ConsoleEvent, ...] = ()


@dataclass(frozen=True, slots=True)
class ConsoleRead:
    """A file, how far it was read, and what came new; trouble: why it could not be read."""

    path: str
    inode: int = 0
    offset: int = 0
    text: str = ""
    trouble: str = ""


class Consoles:
    """The files that match some patterns. remembered_s: how long an event counts after the last one."""

    def __init__(self, context: ProbeContext, patterns: Sequence[str], remembered_s: float, timeout_s: float) -> None:
        self._context, self._patterns, self._timeout_s = context, patterns, timeout_s
        self._remembered_s = remembered_s

    async def look(self, known: Mapping[str, KnownConsole]) -> tuple[dict[str, KnownConsole], list[ConsoleRead]]:
        """Read what is new: what to remember of each file by its path, and the files that could not be read."""
        if not self._patterns:
            return {}, []
        work = partial(read_all, self._patterns, dict(known))
        read = await self._context.workers.call("consoles of guests", work, self._timeout_s)
        now = self._context.clock.now()
        found = {one.path: self._add(known.get(one.path, KnownConsole()), one, now) for one in read if not one.trouble}
        return found, [one for one in read if one.trouble]

    def _add(self, before: KnownConsole, read: ConsoleRead, now: datetime) -> KnownConsole:
        kills, faults = understand(read.text)
        return KnownConsole(
            inode=read.inode,
            offset=read.offset,
            kills=self._recent(before.kills, kills, now),
            faults=self._recent(before.faults, faults, now),
        )

    def _recent(self, before: Sequence[ConsoleEvent], new: Sequence[str], now: datetime) -> tuple[ConsoleEvent, ...]:
        limit = timedelta(seconds=self._remembered_s)
        kept = [each for each in before if now - each.at < limit]
        return tuple([*kept, *(ConsoleEvent(at=now, what=each) for each in new)][-EVENTS_LIMIT:])

    def observe(self, name: str, console: KnownConsole) -> Iterator[Condition]:
        """Whether the guest's kernel killed programs for memory, and whether it reported faults."""
        within = format_duration(self._remembered_s)
        for quantity, events, said in (
            ("memory shortage", console.kills, "its kernel killed {} for lack of memory, {} within {}"),
            ("kernel messages", console.faults, "its kernel reported {}, {} within {}"),
        ):
            times = "once" if len(events) == 1 else f"{len(events)} times"
            reason = said.format(_named(events), times, within) if events else ""
            facts: Facts = (("last seen", f"{events[-1].at:%Y-%m-%d %H:%M} UTC"),) if events else ()
            yield Condition(SeriesKey(f"guest {name}", quantity), not events, reason, facts=facts)


def hidden(name: str, read: ConsoleRead) -> Unseen:
    """The line for a file that cannot be read."""
    return Unseen(f"guest {name}: its console", read.trouble)


def _named(events: Sequence[ConsoleEvent]) -> str:
    """The most frequent names, and how many others there are."""
    names = [name for name, _ in Counter(each.what for each in events).most_common()]
    more = f" and {len(names) - NAMES_SHOWN} more" if len(names) > NAMES_SHOWN else ""
    return ", ".join(names[:NAMES_SHOWN]) + more


def understand(text: str) -> tuple[list[str], list[str]]:
    """The names of programs that were killed, and the faults that were reported."""
    kills, faults = list[str](), list[str]()
    for line in text.split("\n"):
        message = _STAMP.sub("", line[:LINE_LIMIT].strip(), count=1)
        if kill := _KILL.match(message):
            kills.append(clip(kill[1], 40))
        elif message.startswith(_PANIC):
            faults.append("a panic")
        elif (fault := fault_of(message)) is not None:
            faults.append(clip(f"{fault.what} ({f'{fault.subject} {fault.device}'.strip()})", 80))
    return kills, faults


def read_all(patterns: Sequence[str], known: Mapping[str, KnownConsole]) -> list[ConsoleRead]:
    """What is new in every file that matches. Raises ProbeError for a pattern that matches too many. Blocks."""
    paths = sorted({path for pattern in patterns for path in glob.iglob(pattern)})  # noqa: PTH207  absolute
    if len(paths) > FILES_LIMIT:
        raise ProbeError(f"{', '.join(patterns)} matches more than {FILES_LIMIT} files; use a narrower pattern")
    return [_read(path, known.get(path)) for path in paths]


def _read(path: str, before: KnownConsole | None) -> ConsoleRead:
    """What was written since the last look, in whole lines. A file that is seen first is read from its end on."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        return ConsoleRead(path, trouble=f"{printable(path)}: {explained(error)}")
    with open(handle, "rb") as file:  # noqa: PTH123  it is open already, without following a link
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            return ConsoleRead(path, trouble=f"{printable(path)} is no regular file")
        if before is None:
            return ConsoleRead(path, found.st_ino, found.st_size)
        same = before.inode == found.st_ino and before.offset <= found.st_size
        start = max(before.offset if same else 0, found.st_size - PART_LIMIT_BYTES)
        file.seek(start)
        part = file.read(PART_LIMIT_BYTES)
    whole = part[: part.rfind(b"\n") + 1]
    if not whole and len(part) == PART_LIMIT_BYTES:
        whole = part  # One endless line says nothing.
    return ConsoleRead(path, found.st_ino, start + len(whole), whole.decode("utf-8", "replace"))
