"""Finds guests' sockets and asks them all at once; those that only root may use, through the privileged helper.

Not here: what a monitor (monitors.py) or an agent (agent.py) is asked, and what its answer means.
"""

import asyncio
import errno
import glob
import os
import stat
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Generic, TypeVar

from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.os_errors import explained
from watchkeeper.privileged.commands import TIMEOUT_S, Result
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import ask_root, text_of

T = TypeVar("T")

SOCKETS_LIMIT = 256
"""More guests than a home server runs; a pattern that matches more sockets is a mistake."""

ROOT_TIMEOUT_S = 30.0
"""For the privileged helper, which waits for an unresponsive peer as long as for any of its commands (20 s)."""


@dataclass(frozen=True, slots=True)
class Asked(Generic[T]):
    """The result of asking at one socket: what was said about the guest, or the trouble why there is nothing.

    forbidden: the trouble is that this user may not connect. ended: it is that nothing listens there any more.
    name: the guest's, where it is known without its answer. grave: it has stopped without being asked to.
    """

    path: str
    guest: T | None = None
    trouble: str = ""
    forbidden: bool = False
    ended: bool = False
    name: str = ""
    grave: bool = False


class GuestSockets(ABC, Generic[T]):
    """The sockets of one sort that match some patterns.

    entry: the name of the helper's entry that asks there as root. list_file: root's own list of such sockets. peer:
    what is behind a socket, in words.
    """

    entry: str
    list_file: Path
    peer: str

    @abstractmethod
    async def converse(self, path: str, timeout_s: float) -> T:
        """Ask at one socket. Raises OSError and ProbeError."""

    @abstractmethod
    def read_printed(self, text: bytes) -> T:
        """Read what the helper printed about one socket. Raises ProbeError."""

    def __init__(self, bench: ProbeContext, sockets: Sequence[str], timeout_s: float, helper: Path) -> None:
        """helper: the socket of the privileged helper."""
        self._bench, self._sockets, self._timeout_s, self._helper = bench, sockets, timeout_s, helper

    async def ask_all(self) -> list[Asked[T]]:
        """Ask at every socket, ordered by path.

        Raises PrivilegeMissing if neither this user nor the privileged helper can list the sockets.
        """
        try:
            find = partial(find_sockets, self._sockets)
            paths = await self._bench.workers.call(f"sockets {', '.join(self._sockets)}", find, self._timeout_s)
        except PrivilegeMissing as error:
            by_root, why = await self._ask_root()
            if not by_root:
                raise PrivilegeMissing(f"{error}; {why}") from error
            return list(by_root.values())
        asked = await asyncio.gather(*(self._ask(path) for path in paths))
        if not any(each.forbidden for each in asked):
            return asked
        by_root, why = await self._ask_root()
        return [self._best(each, by_root, why) for each in asked]

    def _best(self, asked: Asked[T], by_root: Mapping[str, Asked[T]], why: str) -> Asked[T]:
        if not asked.forbidden:
            return asked
        return by_root.get(asked.path) or replace(asked, trouble=f"{asked.trouble}; {why}")

    async def _ask(self, path: str) -> Asked[T]:
        try:
            return Asked(path, await self.converse(path, self._timeout_s))
        except PermissionError:
            return Asked(path, trouble=f"this user may not connect to {printable(path)}", forbidden=True)
        except ConnectionRefusedError:
            trouble = f"its process has ended: nothing listens on its {self.peer} socket"
            return Asked(path, trouble=trouble, ended=True)
        except ProbeError as error:
            return Asked(path, trouble=f"{error} ({printable(path)})")
        except OSError as error:
            why = clip(explained(error))
            return Asked(path, trouble=f"cannot query its {self.peer}: {why} ({printable(path)})")

    async def _ask_root(self) -> tuple[dict[str, Asked[T]], str]:
        """What the helper reports about the sockets that it knows and that are wanted here; and why not the others."""
        why = f"the helper does not know it either: list it in {self.list_file}, or give its group write access"
        try:
            results = await ask_root(self._bench, self.entry, self._helper, ROOT_TIMEOUT_S)
            found = [self._by_root(result) for result in results]
        except ProbeError as error:
            return {}, str(error)
        return {each.path: each for each in found if self._wanted(each.path)}, why

    def _by_root(self, result: Result) -> Asked[T]:
        """One socket's replies. Raises ProbeError if the privileged helper could not list any."""
        if not result.target:
            text_of(result.ran, "the helper", TIMEOUT_S)
        try:
            text_of(result.ran, f"querying its {self.peer} as root", TIMEOUT_S)
            return Asked(result.target, self.read_printed(result.ran.stdout))
        except ProbeError as error:
            return Asked(result.target, trouble=f"{error} ({printable(result.target)})")

    def _wanted(self, path: str) -> bool:
        return any(fnmatchcase(path, pattern) for pattern in self._sockets)


def find_sockets(patterns: Sequence[str]) -> list[str]:
    """The unix sockets that match, each once, ordered by path. Raises PrivilegeMissing and ProbeError."""
    found: set[str] = set()
    for pattern in patterns:
        _check_readable(pattern)
        found.update(path for path in glob.iglob(pattern) if _is_socket(path))  # noqa: PTH207  Path.glob takes no absolute pattern
        if len(found) > SOCKETS_LIMIT:
            raise ProbeError(f"{pattern} matches more than {SOCKETS_LIMIT} sockets; use a narrower pattern")
    return sorted(found)


def _is_socket(path: str) -> bool:
    try:
        return stat.S_ISSOCK(os.stat(path).st_mode)  # noqa: PTH116  a name may hold any bytes
    except OSError:
        return False  # Gone since it was listed.


def _check_readable(pattern: str) -> None:
    """Check that the folder above the first wildcard is readable, or does not exist."""
    folder = Path(pattern).parent
    while glob.has_magic(str(folder)):
        folder = folder.parent
    try:
        os.scandir(folder).close()
    except OSError as error:
        if error.errno in (errno.EACCES, errno.EPERM):
            raise PrivilegeMissing(f"this user may not read {folder}") from error
