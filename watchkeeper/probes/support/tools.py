"""Runs the system's tools, from the daemon or through the privileged helper, and turns failures into errors.

A tool runs in a thread that can be abandoned (workers.py): one that waits in the kernel for a dead disk cannot be
ended. What may live here: running, and reporting why it failed. Not here: what a tool's output means (in its probe).
"""

import asyncio
import os
from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from pydantic import Field

from watchkeeper.config.types import Duration, ProbeSettings, WholePath
from watchkeeper.errors import PrivilegeMissing, ProbeError, ProbeTimeout, ToolMissing
from watchkeeper.model.observation import OWN_SUBJECT, Condition, SeriesKey
from watchkeeper.model.units import format_duration
from watchkeeper.os_errors import explained
from watchkeeper.privileged import commands, protocol
from watchkeeper.privileged import process as running
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip

PATH = f"/usr/local/sbin:/usr/local/bin:{running.PATH}"
"""Where the daemon looks for tools, including those built on this machine."""

SOCKET = Path("/run/watchkeeper-helper.sock")
"""Where deploy/systemd/watchkeeper-helper.socket listens."""

ABANDON_S = 2.0
"""After a tool's time is up, how long the call may still take to end it before the call is abandoned."""

PACKAGES = {
    "btrfs": "btrfs-progs", "dmsetup": "dmsetup", "lvs": "lvm2", "smartctl": "smartmontools", "vgs": "lvm2",
    "virsh": "libvirt-clients",
    "zfs": "zfsutils-linux", "zpool": "zfsutils-linux",
}  # fmt: skip
"""The Debian package of each tool."""

_BEFORE_ERROR = ("WARNING", "error: failed to connect to the hypervisor")
"""How lines begin that come before the one with the cause; the second is virsh's."""

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


class RootsideSettings(ProbeSettings):
    """What the settings of a probe that may ask the helper of root have."""

    timeout: Duration = Field(60.0, description="time after which a run is abandoned")
    helper: WholePath = Field(
        SOCKET, description="socket of the helper that runs as root (deploy/systemd/watchkeeper-helper.socket)"
    )


async def run_tool(bench: ProbeContext, argv: Sequence[str], timeout_s: float) -> str:
    """Run a tool and return what it prints. argv: the program's name and its arguments; no shell reads them.

    Raises ToolMissing, ProbeTimeout, StillHanging, and ProbeError if its exit status is not 0.
    """
    work = partial(running.run, argv, timeout_s, path=PATH)
    try:
        ran = await bench.workers.call(" ".join(argv[:2]), work, timeout_s + ABANDON_S)
    except ProbeError:
        raise  # A ProbeTimeout is also an OSError.
    except OSError as error:
        raise ProbeError(f"{argv[0]} cannot be started: {explained(error)}") from error
    return text_of(ran, argv[0], timeout_s)


def text_of(ran: Completed, tool: str, timeout_s: float, ends_well: Collection[int | None] = (0,)) -> str:
    """What a tool printed, or an error that says why there is no usable output.

    ends_well: the exit statuses whose output may be used. Raises as `run_tool` does, and PrivilegeMissing.
    """
    if ran.missing:
        package = f" (in Debian: {PACKAGES[tool]})" if tool in PACKAGES else ""
        raise ToolMissing(f"{tool} is not installed; install it{package}, or remove this probe from the configuration")
    if ran.timed_out:
        raise ProbeTimeout(f"{tool} did not end within {format_duration(timeout_s)}")
    if ran.truncated:
        raise ProbeError(f"{tool} printed more than {running.OUTPUT_LIMIT_BYTES >> 20} MiB, which is too much")
    if ran.status not in ends_well:
        said = clip(_first_line(ran.stderr) or "no reason given")
        if "ermission denied" in said or "not permitted" in said or "super-user" in said:
            raise PrivilegeMissing(f"{tool} has no permission: {said}")
        raise ProbeError(f"{tool} ended with status {ran.status}: {said}")
    return ran.stdout.decode("utf-8", "surrogateescape")


def _first_line(text: bytes) -> str:
    lines = text.decode("utf-8", "surrogateescape").split("\n")
    printed = [line.strip() for line in lines if line.strip()]
    # Tools print warnings first; the actual error comes after them.
    return next((line for line in printed if not line.startswith(_BEFORE_ERROR)), printed[0] if printed else "")


async def ask_root(bench: ProbeContext, name: str, helper: Path, timeout_s: float) -> Sequence[Result]:
    """Run an entry of the fixed list (privileged/commands.py) as root: through the helper, or here if this is root.

    Raises PrivilegeMissing if no helper can be used, ProbeTimeout, StillHanging, ProbeError.
    """
    if os.geteuid() == 0:
        try:
            return await bench.workers.call(f"list {name}", partial(commands.collect, name), timeout_s)
        except ProbeError:
            raise  # A ProbeTimeout is also an OSError.
        except OSError as error:
            raise ProbeError(f"it cannot be run: {explained(error)}") from error
    try:
        async with asyncio.timeout(timeout_s):
            return protocol.parse_reply(await _talk(helper, name))
    except TimeoutError:
        raise ProbeTimeout(f"the helper did not answer within {format_duration(timeout_s)}") from None
    except protocol.HelperError as error:
        raise ProbeError(f"the helper cannot answer about {name}: {error}") from error
    except (FileNotFoundError, ConnectionRefusedError) as error:
        raise PrivilegeMissing(
            f"this needs root, and no helper listens on {helper}; start watchkeeper-helper.socket, see installation.md"
        ) from error
    except PermissionError as error:
        raise PrivilegeMissing(
            f"this needs root, and this user may not use {helper}; add it to the group of that socket"
        ) from error
    except OSError as error:
        raise ProbeError(f"the helper cannot be reached at {helper}: {explained(error)}") from error


async def _talk(helper: Path, name: str) -> bytes:
    reader, writer = await asyncio.open_unix_connection(helper)
    try:
        writer.write(name.encode("ascii") + b"\n")
        await writer.drain()
        parts, size = [], 0
        while part := await reader.read(65_536):
            parts.append(part)
            size += len(part)
            if size > protocol.ANSWER_LIMIT_BYTES:
                raise protocol.HelperError("its answer is too long")
        return b"".join(parts)
    finally:
        writer.close()


def result_of(results: Sequence[Result], tool: str, timeout_s: float) -> str:
    """What a command from an entry without targets printed. Raises as `text_of` does."""
    found = [each.ran for each in results if each.target == tool]
    if len(found) != 1:
        raise ProbeError(f"the helper ran {tool} {len(found)} times, expected once; install the same version of both")
    return text_of(found[0], tool, timeout_s)


def sight(label: str, troubles: Iterable[ProbeError]) -> Condition:
    """The condition of a probe that can observe some parts and not others: which parts it cannot observe, and why."""
    # Sorted, because tools fail in any order, and a reason that changes would look like a new problem.
    reason = "; ".join(sorted({str(error) for error in troubles}))
    return Condition(SeriesKey(f"{OWN_SUBJECT}{label}", "sees all"), not reason, reason)


def read_ctime(text: str) -> datetime | None:
    """Parse a time as ctime(3) writes it in the C locale, `Sun Nov 22 00:24:02 2026`, in UTC; None if it is not one.

    Not strptime: its month names depend on the locale of the process.
    """
    fields = text.split()
    try:
        _, month, day, clock, year = fields
        hour, minute, second = (int(part) for part in clock.split(":"))
        return datetime(int(year), _MONTHS.index(month) + 1, int(day), hour, minute, min(second, 59), tzinfo=UTC)
    except ValueError:
        return None
