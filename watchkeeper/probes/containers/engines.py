"""Asks container engines with the Docker Engine API, from here or through the helper. What they say: engine.py."""

import os
import stat
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Observed, Unseen
from watchkeeper.os_errors import explained
from watchkeeper.privileged import container_engine
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import ask_root, text_of


class Engines:
    """The engines whose sockets are at these paths. helper: the socket of the helper of root."""

    def __init__(self, context: ProbeContext, paths: Sequence[str], helper: Path, timeout_s: float) -> None:
        self._context, self._paths, self._helper, self._timeout_s = context, paths, helper, timeout_s

    async def ask(self, question: str, unseen: list[Observed]) -> dict[str, bytes]:
        """What each engine says, by its socket: asked from here if this user may connect, else by the helper.

        unseen: takes a line for each engine that cannot be asked.
        """
        found, forbidden = dict[str, bytes](), list[str]()
        for path in self._paths:
            ask = partial(_ask_here, question, path)
            try:
                if (said := await self._context.workers.call(f"engine {path}", ask, self._timeout_s)) is not None:
                    found[path] = said
            except PrivilegeMissing:
                forbidden.append(path)
            except ProbeError as error:
                unseen.append(Unseen(f"containers of {printable(path)}", str(error)))
        return {**found, **await self._by_root(question, forbidden, unseen)} if forbidden else found

    async def _by_root(self, question: str, paths: Sequence[str], unseen: list[Observed]) -> dict[str, bytes]:
        entry = {"state": "containers", "space": "container-space"}[question]
        found = dict[str, bytes]()
        why = "only root may connect to it, and it is not one of the sockets that the helper asks"
        try:
            for each in await ask_root(self._context, entry, self._helper, self._timeout_s):
                text_of(each.ran, f"the engine at {each.target}", self._timeout_s)
                found[each.target] = each.ran.stdout
        except ProbeError as error:
            why = str(error)
        lacking = [path for path in paths if path not in found]
        unseen += [Unseen(f"containers of {printable(path)}", why) for path in lacking]
        return {path: said for path, said in found.items() if path in paths}


def _ask_here(question: str, path: str) -> bytes | None:
    """Ask an engine from this process; None if there is none. Raises PrivilegeMissing and ProbeError. Blocks."""
    try:
        if not stat.S_ISSOCK(os.lstat(path).st_mode):
            return None  # A link leads to the socket of another engine, which is listed itself.
        return container_engine.printed(question, path).encode()
    except FileNotFoundError:
        return None
    except PermissionError:
        raise PrivilegeMissing(f"this user may not connect to {path}") from None
    except ConnectionRefusedError:
        return None  # Its service has stopped; systemd reports that of the unit.
    except container_engine.FAILURES as error:
        why = explained(error) if isinstance(error, OSError) else str(error)
        raise ProbeError(f"the engine cannot be asked: {clip(why)}") from error
