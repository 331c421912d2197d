"""Reads one file whole and checks it, in pieces of time that its caller grants. Runs as a program of its own.

`python -m watchkeeper.probes.verification.program` reads the file's name, a JSON string, from the first line of its
input, and then seconds, one number a line. It works so long, and prints JSON lines: `{"read": N, "of": N}` each time
the time is used up, and the result at the end. It ends with its input, so it does not outlive the daemon. Not here:
which file is read, and when (verifier.py), and what starts this (sessions.py).
"""

import errno
import hashlib
import json
import os
import resource
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Never

from watchkeeper.clock import Clock
from watchkeeper.model.units import format_size
from watchkeeper.probes.verification.formats import Recognised
from watchkeeper.probes.verification.outcomes import DamageFound, NotCheckable, Verdict
from watchkeeper.probes.verification.seekable import CHECKS
from watchkeeper.probes.verification.sinks import PIECE

MEMORY_LIMIT = 2 * 2**30
"""Address space of this program and of each that it starts. zstd refuses windows above 128 MiB by itself."""


@dataclass(slots=True)
class Budget:
    """The time that the caller grants. of: bytes of the file. read: of those, read so far."""

    of: int
    read: int = 0
    _until_s: float = 0.0
    _clock: Clock = field(default_factory=Clock)

    def spend(self) -> None:
        """Wait until there is time. Ends the program if the caller has gone."""
        while self._clock.monotonic_s() >= self._until_s:
            report({"read": self.read, "of": self.of})
            line = sys.stdin.readline()
            if not line:
                _give_up()
            self._until_s = self._clock.monotonic_s() + float(line)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was found. digest: BLAKE2b of all bytes, empty if not all were read."""

    verdict: Verdict
    formats: tuple[str, ...] = ()
    detail: str = ""
    digest: str = ""


def report(line: dict[str, object]) -> None:
    """Print one line. Ends the program if nobody reads it any more."""
    try:
        print(json.dumps(line), flush=True)  # noqa: T201  this is how the program answers
    except OSError:
        _give_up()


def _give_up() -> Never:
    """End at once. Not by an exception: within a callback of SQLite it would count as damage."""
    os._exit(0)


def check(path: Path, budget: Budget, file: int) -> Outcome:
    """Read the file to its end, then check what its format needs read elsewhere."""
    chain, digest = Recognised(), hashlib.blake2b(digest_size=16)
    verdict, detail = Verdict.WHOLE, ""
    try:
        try:
            _read(file, budget, chain, digest.update)
        finally:
            chain.close()
        if chain.found is not None and chain.found.seekable:
            CHECKS[chain.found.name](path, budget.spend)
    except DamageFound as error:
        verdict, detail = Verdict.DAMAGED, str(error)
    except NotCheckable as error:
        verdict, detail = Verdict.UNKNOWN, str(error)
    except MemoryError:
        verdict, detail = Verdict.UNKNOWN, f"the check needs more than {format_size(MEMORY_LIMIT)} of memory"
    if verdict is Verdict.WHOLE:
        detail = "; ".join(chain.notes)
    return Outcome(verdict, chain.names, detail, digest.hexdigest() if budget.read >= budget.of else "")


def _read(file: int, budget: Budget, chain: Recognised, digest: Callable[[bytes], None]) -> None:
    """Pass every byte on. What was read leaves the page cache, which others need."""
    while True:
        budget.spend()
        data = _piece(file, budget.read)
        if not data:
            break
        os.posix_fadvise(file, budget.read, len(data), os.POSIX_FADV_DONTNEED)
        budget.read += len(data)
        digest(data)
        try:
            chain.feed(data)
        except DamageFound as error:
            raise DamageFound(f"{error} at {format_size(budget.read)}") from None
    try:
        chain.end()
    except DamageFound as error:
        at = f" at {format_size(budget.read)}" if "unexpected end" in str(error) else ""
        raise DamageFound(f"{error}{at}") from None


def _piece(file: int, offset: int) -> bytes:
    try:
        return os.pread(file, PIECE, offset)
    except OSError as error:
        if error.errno in (errno.EIO, errno.EUCLEAN):
            raise DamageFound(f"it cannot be read at {format_size(offset)}: {error.strerror}") from None
        raise NotCheckable(f"it cannot be read: {error.strerror}") from None


def outcome(path: Path) -> Outcome:
    """Check a file, and that it is still the same one at the end."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        remedy = "; give this user read access to it" if isinstance(error, PermissionError) else ""
        return Outcome(Verdict.UNKNOWN, detail=f"it cannot be opened: {error.strerror}{remedy}")
    try:
        before = os.fstat(file)
        found = check(path, Budget(before.st_size), file)
        after, named = os.fstat(file), _named(path)
    finally:
        os.close(file)
    same = [(each.st_dev, each.st_ino, each.st_size, each.st_mtime_ns) for each in (before, after, named or before)]
    if len(set(same)) > 1 or named is None:
        return Outcome(Verdict.CHANGED, found.formats)
    return found


def _named(path: Path) -> os.stat_result | None:
    """What has this name now; None if nothing has."""
    try:
        return path.lstat()
    except OSError:
        return None


def main() -> None:
    """Check the file that the first line of the input names. Ends if there is none."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    line = sys.stdin.readline()
    if not line:
        return
    found = outcome(Path(json.loads(line)))
    report({"verdict": found.verdict, "formats": found.formats, "detail": found.detail, "digest": found.digest})


if __name__ == "__main__":
    main()
