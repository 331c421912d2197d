"""What the kernel counts for the whole host and limits: open files, processes with their threads, asynchronous I/O.

The formats: proc(5), /proc/sys/fs/file-nr and aio-nr, /proc/loadavg, /proc/sys/kernel/pid_max and threads-max.
Processes are not counted in /proc: a service with ProtectProc=invisible sees only its own. Not here: the files that the
daemon itself has open, against its own limit (own/self_check.py).
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Level, Observed, SeriesKey, Unit, Unseen
from watchkeeper.os_errors import remedy
from watchkeeper.probes.base import BaseProbe, ProbeContext

NO_LIMIT = 2**31 - 1
"""From here on fs.file-max limits nothing: the kernel needs about 250 bytes for an open file, so that many would take
half a TiB of memory. systemd sets the largest number that the kernel accepts: this one, or 2**63 - 1."""


AIO = "asynchronous I/O"


class KernelTablesSettings(ProbeSettings):
    """Open files of the whole host, its processes with their threads, and its asynchronous I/O, against the limits of
    the kernel.
    """

    kind: Literal["kernel-tables"] = "kernel-tables"
    every: Duration = Field(60.0, description="time between runs")


class KernelTablesProbe(BaseProbe):
    """Monitors the counts of the whole machine."""

    def __init__(self, _settings: KernelTablesSettings, _bench: ProbeContext, root: Path = Path("/")) -> None:
        """root: the folder that contains /proc, for tests."""
        self._proc = root / "proc"

    async def observe(self) -> Sequence[Observed]:
        """Read the kernel's counts. Raises ProbeError if there is none of them."""
        seen: list[Observed] = []
        looks = (("open files", self._files), ("processes and threads", self._tasks), (AIO, self._aio))
        for what, look in looks:
            try:
                seen += look()
            except ProbeError as error:
                seen.append(Unseen(f"host: {what}", str(error)))
        if not any(isinstance(each, Level) for each in seen):
            raise ProbeError("; ".join(each.why for each in seen if isinstance(each, Unseen)))
        return seen

    def _files(self) -> list[Level]:
        """Open files; empty if the kernel does not limit them, because then there is nothing that they could fill."""
        allocated, free, limit = self._numbers("sys/fs/file-nr", 3)
        if limit >= NO_LIMIT:
            return []
        return [Level(SeriesKey("host", "open files"), allocated - free, max(limit, 1), Unit.COUNT)]

    def _tasks(self) -> list[Level]:
        """Processes and threads: each thread has a number of its own, and fork(2) fails at the lower of two limits."""
        *_, count, _ = self._numbers("loadavg", 6)
        (numbers,) = self._numbers("sys/kernel/pid_max", 1)
        (threads,) = self._numbers("sys/kernel/threads-max", 1)
        facts = (("kernel.pid_max", f"{numbers:,}"), ("kernel.threads-max", f"{threads:,}"))
        key = SeriesKey("host", "processes and threads")
        return [Level(key, count, max(min(numbers, threads), 1), Unit.COUNT, facts)]

    def _aio(self) -> list[Level]:
        """Requests of asynchronous I/O that programs have reserved (io_setup(2)); empty on a kernel without it."""
        if not (self._proc / "sys/fs/aio-nr").exists():
            return []
        (used,) = self._numbers("sys/fs/aio-nr", 1)
        (limit,) = self._numbers("sys/fs/aio-max-nr", 1)
        return [Level(SeriesKey("host", AIO), used, max(limit, 1), Unit.COUNT)]

    def _numbers(self, name: str, count: int) -> Sequence[int]:
        """The numbers in a file of the kernel, without their decimals. Raises ProbeError if there are not that many."""
        path = self._proc / name
        try:
            found = [int(float(word)) for word in path.read_text("ascii").replace("/", " ").split()]
        except OSError as error:
            to_do = remedy(error, "a service needs ProcSubset=all to read it")
            raise ProbeError(f"{path} cannot be read: {error.strerror}; {to_do}") from error
        except (ValueError, OverflowError):
            found = []
        if len(found) != count:
            raise ProbeError(f"{path} does not have the form that proc(5) describes; report it with its content")
        return found
