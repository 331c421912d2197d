"""The tutorial from nothing to the first warning, done for real: each command, and what each step prints."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

ROOT = Path(__file__).parents[1]
TUTORIAL = ROOT / "watchkeeper/manual/tutorial.md"
FOLDER = "/tmp/watchkeeper-walk"
PATIENCE_S = 150.0
"""The walk says about 50 s; a busy machine takes longer."""


@dataclass(frozen=True, slots=True)
class Step:
    """A block of commands, and what the tutorial says that it prints; empty where it says nothing."""

    commands: str
    prints: str


def steps() -> list[Step]:
    """The blocks of the tutorial in their order."""
    text = TUTORIAL.read_text(encoding="utf-8")
    blocks = re.findall(r"^```(sh)?\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    found: list[Step] = []
    for kind, block in blocks:
        if kind:
            found.append(Step(block, ""))
        else:
            found[-1] = Step(found[-1].commands, found[-1].prints + block)
    return found


def bare(text: str) -> list[str]:
    """Words without what differs from walk to walk: figures, days, zones, and how wide the estimate is."""
    text = re.sub(r"90 % range: .*?(?= Now )", "90 % range:", " ".join(text.split()))
    text = re.sub(r"\bEtc/UTC|\b[A-Z][a-z]+/[A-Z][A-Za-z_]+\b|UTC[+-]\d\d:\d\d|\bUTC\b", "#", text)
    text = re.sub(r"\b(Mon|Tue|Wed|Thu|Fri|Sat|Sun)\b|\b(Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b", "#", text)
    text = re.sub(r"\d[\d.]*(e\+\d+)?", "#", text)
    return re.sub(r"(#[ ,:.]*(now )?)+", "# ", text).split()


class Walk:
    """One shell, as a newcomer's terminal, and the daemon in another."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        home = folder.parent / "home"
        home.mkdir()
        self._environment = {
            "PATH": os.environ["PATH"],
            "HOME": str(home),
            "PYTHONPATH": str(ROOT),
        }
        self._said = folder.parent / "said"
        self.shell = self._start(["bash", "-s"], subprocess.PIPE, self._said)
        self._environment["WATCHKEEPER_PAGE__PORT"] = "0"  # of the daemon: another one may have the usual port
        self.daemon: subprocess.Popen[str] | None = None

    def _start(self, words: list[str], stdin: int, told: Path) -> subprocess.Popen[str]:
        with told.open("w") as out:
            return subprocess.Popen(
                words, stdin=stdin, stdout=out, stderr=out, cwd=ROOT, env=self._environment, text=True
            )

    def here(self, text: str) -> str:
        """The tutorial's words with this walk's places: its folder, and the interpreter that runs the tests."""
        placed = text.replace(FOLDER, str(self.folder))
        return placed.replace(".venv/bin/watchkeeper", f"{sys.executable} -m watchkeeper")

    def do(self, step: Step) -> None:
        """Run a block, and hold what it prints to what the tutorial says."""
        before = len(self._said.read_text())
        assert self.shell.stdin is not None
        self.shell.stdin.write(f"{self.here(step.commands)}\necho walked-$?\n")
        self.shell.stdin.flush()
        self.wait(lambda: "walked-" in self._said.read_text()[before:], step.commands)
        said, _, status = self._said.read_text()[before:].rpartition("walked-")
        assert status.strip() == "0", said
        if step.prints:
            assert bare(said.replace(str(self.folder), FOLDER)) == bare(step.prints)

    def start(self, step: Step) -> None:
        """What deploy/start does once its packages are there: run the daemon with what it was given."""
        script = (ROOT / "deploy/start").read_text()
        assert script.rstrip().endswith('exec .venv/bin/watchkeeper "$@" run')
        words = self.here(step.commands.strip().replace("deploy/start", ".venv/bin/watchkeeper")).split()
        log = self.folder.parent / "log"
        self.daemon = self._start([*words, "run"], subprocess.DEVNULL, log)
        self.wait(lambda: "page: " in log.read_text(), "the daemon's start")
        shown = [line for line in log.read_text().splitlines() if line.startswith(("monitoring ", "page: "))]
        assert bare("\n".join(shown)) == bare(step.prints)

    def told(self, word: str) -> bool:
        """Has a message come with this word?"""
        return word in (self.folder / "told").read_text()

    def wait(self, until: Callable[[], bool], what: str) -> None:
        """Look until something is so, as a newcomer would."""
        end = time.monotonic() + PATIENCE_S
        while not until():
            assert time.monotonic() < end, f"{what}: {self._said.read_text()[-2000:]}"
            time.sleep(0.2)

    def end(self) -> None:
        """Stop the daemon with Ctrl-C, and leave the shell."""
        if self.daemon is not None and self.daemon.poll() is None:
            self.daemon.send_signal(signal.SIGINT)
            assert self.daemon.wait(30) == 0
        if self.shell.stdin is not None:
            self.shell.stdin.close()
        self.shell.wait(300)


@pytest.fixture
def walk() -> Iterator[Walk]:
    """A newcomer who has a clone and its packages. No path is longer than in the tutorial, so lines break alike."""
    with TemporaryDirectory(prefix="w") as place:
        newcomer = Walk(Path(place) / "walk")
        yield newcomer
        _clear(newcomer)


def _clear(newcomer: Walk) -> None:
    """End what still runs after a walk that went wrong."""
    for each in (newcomer.daemon, newcomer.shell):
        if each is not None and each.poll() is None:
            each.kill()
            each.wait(30)
    if newcomer.shell.stdin is not None:
        newcomer.shell.stdin.close()


def test_the_walk_leads_to_the_first_warning(walk: Walk) -> None:
    """Configuration, a look, a test message, the watch, a real warning, its end: as the tutorial has it."""
    configure, look, trial, start, fill, warning, status, repair, ended, away = steps()
    for step in (configure, look, trial):
        walk.do(step)
    walk.start(start)
    walk.do(fill)
    walk.wait(lambda: walk.told('"subject":"bucket"'), "the warning")
    walk.do(warning)
    walk.do(Step(status.commands.replace(" status\n", " status || test $? = 1\n"), status.prints))
    walk.do(repair)
    walk.wait(lambda: walk.told('"kind":"ended"'), "the end")
    # A busy machine samples less often, and the drop may then count as a trend: the headline names that as well.
    walk.do(Step(ended.commands.rstrip("\n") + " | sed 's/: shrinking$//'\n", ended.prints))
    walk.end()
    subprocess.run(walk.here(away.commands), shell=True, check=True, timeout=60)
    assert not walk.folder.exists()
