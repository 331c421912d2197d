"""Tools for the tests of the storage probes: real samples, and programs that print them in place of the real ones."""

import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import pytest

from watchkeeper.clock import Clock
from watchkeeper.model.observation import Condition, Deadline, Level, Observed, Unseen
from watchkeeper.privileged import process as running
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.support import tools

SAMPLES = Path(__file__).with_name("samples") / "storage"

O = TypeVar("O", Level, Condition, Deadline)  # noqa: E741  an observation's kind


@dataclass(frozen=True, slots=True)
class Sample:
    """What one command gave: see samples/storage/README.md."""

    command: str
    status: int
    stdout: str
    stderr: str

    @property
    def ran(self) -> Completed:
        """The same as a run that has ended."""
        return Completed(self.status, self.stdout.encode(), self.stderr.encode())


def sample(name: str) -> Sample:
    """A captured sample."""
    command, status, *lines = (SAMPLES / name).read_text().splitlines(keepends=True)
    out = "".join(line for line in lines if not line.startswith("2> "))
    err = "".join(line.removeprefix("2> ") for line in lines if line.startswith("2> "))
    return Sample(command.removeprefix("# ").strip(), int(status.split("rc=")[1].split()[0]), out, err)


class Toolbox:
    """A folder of programs that stand in for the system's, first on the path of the daemon and of root's side."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder / "tools"
        self.folder.mkdir()
        path = f"{self.folder}:/usr/bin:/bin"
        monkeypatch.setattr(tools, "PATH", path)
        monkeypatch.setattr(running, "PATH", path)

    def put(self, name: str, script: str) -> None:
        """Add or replace a program, as a shell script."""
        program = self.folder / name
        program.write_text(f"#!/bin/sh\n{script}\n")
        program.chmod(0o755)

    def says(self, name: str, stdout: str, *, status: int = 0, stderr: str = "") -> None:
        """Add a program that prints this, whatever its arguments are."""
        self.put(name, _prints(self._text(name, "out", stdout), self._text(name, "err", stderr), status))

    def answers(self, name: str, cases: Sequence[tuple[str, str]]) -> None:
        """Add a program that prints the text of the first case whose word is in its arguments."""
        branches = [
            f"*{shlex.quote(word)}*) {_prints(self._text(name, str(n), text), None, 0)};;"
            for n, (word, text) in enumerate(cases)
        ]
        self.put(name, "\n".join(['case "$*" in', *branches, "esac"]))

    def _text(self, name: str, part: str, text: str) -> Path:
        path = self.folder / f".{name}.{part}"
        path.write_text(text, "utf-8", "surrogateescape")
        return path


def _prints(out: Path, err: Path | None, status: int) -> str:
    error = f"cat {err} >&2; " if err else ""
    return f"cat {out}; {error}exit {status}"


class FixedClock(Clock):
    """A wall clock that stands still until it is set; the monotonic one goes with it."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at

    def monotonic_s(self) -> float:
        return self.at.timestamp()


def utc(text: str) -> datetime:
    """An instant from ISO text, in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def find(seen: Iterable[Observed], subject: str, quantity: str, kind: type[O]) -> O:
    """The one observation of a series."""
    there = [each for each in seen if not isinstance(each, Unseen)]
    (found,) = [each for each in there if (each.key.subject, each.key.quantity) == (subject, quantity)]
    assert isinstance(found, kind)
    return found


def keys(seen: Iterable[Observed]) -> set[str]:
    """Every series that was observed, as text."""
    return {str(each.key) for each in seen if not isinstance(each, Unseen)}
