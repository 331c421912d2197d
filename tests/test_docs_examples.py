"""The examples of the documents, executed: both commands of the README, a new probe, a program.

The tutorial has a test of its own (test_walk.py), and so have the packages of the manual (tests/plugin).
"""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.test_docs import DEVELOPERS, README
from watchkeeper.clock import Clock
from watchkeeper.model.observation import Condition, Level
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.programs.command import CommandProbe, CommandSettings
from watchkeeper.probes.support.workers import ThreadWorkers

ROOT = Path(__file__).parents[1]
PLUGINS = ROOT / "watchkeeper/manual/plugins.md"
LIMIT_S = 240.0
"""A busy machine needs most of it for the tests of a new probe."""


def block(text: str, after: str, language: str = "python") -> str:
    """The first block of code in a language after some words."""
    found = re.search(rf"^(````?){language}\n(.*?)^\1$", text.partition(after)[2], re.MULTILINE | re.DOTALL)
    assert found, after
    return found[2]


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """The files of this repository as a new clone has them, with the packages that are here instead of an index."""
    new = tmp_path / "watchkeeper"
    listed = ["git", "-C", str(ROOT), "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    names = subprocess.run(listed, capture_output=True, text=True, check=True, timeout=60).stdout
    for name in names.split("\0")[:-1]:
        if (ROOT / name).is_file():
            (new / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, new / name)
    programs = new / ".venv/bin"
    programs.mkdir(parents=True)
    for name, module in (("python", ""), ("watchkeeper", "-m watchkeeper"), ("pytest", "-m pytest")):
        (programs / name).write_text(f'#!/bin/sh\nexec {sys.executable} {module} "$@"\n')
        (programs / name).chmod(0o755)
    for lock in ("run", "test"):  # as deploy/environment leaves them
        shutil.copy(new / f"deploy/lock/{lock}.txt", new / f".venv/.{lock}")
    shutil.copy(new / "pyproject.toml", new / ".venv/.project")
    return new


def environment(clone: Path) -> dict[str, str]:
    """A newcomer's: a home of their own, and the clone's own code. Any port: another daemon may have the usual one."""
    home = clone.parent / "home"
    home.mkdir()
    return {
        "PATH": os.environ["PATH"],
        "HOME": str(home),
        "PYTHONPATH": str(clone),
        "WATCHKEEPER_PAGE__PORT": "0",
    }


def run(clone: Path, argv: Sequence[str], more: dict[str, str] | None = None) -> str:
    """What a command prints that must go well."""
    done = subprocess.run(
        argv, cwd=clone, env=more or environment(clone), capture_output=True, text=True, check=False, timeout=LIMIT_S
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout


def test_the_start_command_of_the_readme_works_in_a_new_clone(clone: Path) -> None:
    """It prints what the README says, and ends when it is asked to."""
    command = block(README, "\n## Start\n", "sh").strip()
    assert command == "deploy/start"
    shown = block(README, "address of the page:", "")
    log = clone.parent / "log"
    bounded = ["timeout", "120", command]  # hands SIGTERM on
    with (
        log.open("w") as errors,
        subprocess.Popen(
            bounded, cwd=clone, env=environment(clone), stdout=subprocess.PIPE, stderr=errors, text=True
        ) as daemon,
    ):
        assert daemon.stdout is not None
        said = "".join(daemon.stdout.readline() for _ in shown.splitlines())
        daemon.terminate()
        assert daemon.wait(60) == 0, log.read_text()
    expected = shown.replace("127.0.0.1:8417", "ADDRESS").replace("gannet", "HOST")
    pattern = re.escape(expected).replace("ADDRESS", r"127\.0\.0\.1:\d+").replace("HOST", r"[\w.-]+")
    assert re.fullmatch(pattern, said), said + log.read_text()
    assert (clone.parent / "home/.local/state/watchkeeper/watchkeeper.db").exists()


def test_the_test_command_of_the_readme_works_in_a_new_clone(clone: Path) -> None:
    """With the name of a file it runs that alone: whether all of them pass is not for one of them to say."""
    command = block(README, "\n## Tests\n", "sh").strip()
    assert command == "deploy/check"
    assert " passed" in run(clone, [command, "tests/test_clock.py", "-q", "-p", "no:cacheprovider"])


def test_the_new_probe_of_the_guide_passes_its_tests(clone: Path) -> None:
    """Each block in its place is all that it takes: its own test, its entry, its keys, the manual, lint and types."""
    chapter = DEVELOPERS.partition("\n## I want to add a probe\n")[2].partition("\n## ")[0]
    (clone / "watchkeeper/probes/host/open_files.py").write_text(
        block(chapter, "`watchkeeper/probes/host/open_files.py`:")
    )
    (clone / "tests/probes/host/test_open_files.py").write_text(
        block(chapter, "`tests/probes/host/test_open_files.py`")
    )
    _insert(
        clone / "watchkeeper/probes/registry.py",
        ("_MODULES = {\n", block(chapter, "`watchkeeper/probes/registry.py`")),
    )
    entry = clone / "watchkeeper/manual/alerts/the-machine-runs-out-of-open-files.md"
    entry.write_text(block(chapter, f"`watchkeeper/manual/alerts/{entry.name}`", "md"))
    _insert(entry.parent / "index.toml", ('title = "The host"\nentries = [\n', f'    "{entry.stem}",\n'))
    with (clone / "config.example.toml").open("a") as example:
        example.write("\n" + block(chapter, "`config.example.toml`", "toml"))
    newcomer = environment(clone)
    run(clone, [sys.executable, "-m", "watchkeeper.cli.docsgen.reference"], newcomer)
    run(clone, [sys.executable, "-m", "ruff", "check", "--no-cache", "watchkeeper/probes", "tests/probes"], newcomer)
    changed = [
        "watchkeeper/probes/host/open_files.py",
        "tests/probes/host/test_open_files.py",
    ]
    run(clone, [sys.executable, "-m", "ruff", "format", "--no-cache", "--check", *changed], newcomer)
    tests = ["tests/probes/host/test_open_files.py", "tests/probes/test_registry.py", "tests/test_manual.py"]
    about = ["tests/test_docs.py", "-k", "not (test_docs and not example and not key)"]
    assert " passed" in run(clone, ["deploy/check", *tests, *about, "-q", "-p", "no:cacheprovider"], newcomer)


def _insert(path: Path, *pieces: tuple[str, str]) -> None:
    """Put each piece behind the line that it follows."""
    text = path.read_text(encoding="utf-8")
    for line, piece in pieces:
        assert text.count(line) == 1, line
        text = text.replace(line, line + piece)
    path.write_text(text, encoding="utf-8")


async def test_the_program_of_the_manual_is_understood(tmp_path: Path, workers: ThreadWorkers) -> None:
    """What it prints are the two observations that the manual shows."""
    program = tmp_path / "jetty-lamps"
    program.write_text(block(PLUGINS.read_text(encoding="utf-8"), "make it executable"))
    program.write_text(program.read_text().replace("/usr/bin/python3", sys.executable))
    program.chmod(0o755)
    settings = CommandSettings.model_validate({"kind": "command", "name": "jetty", "run": [str(program)]})
    lamps, log = await CommandProbe(settings, ProbeContext(Clock(), workers)).observe()
    assert isinstance(lamps, Condition)
    assert (lamps.ok, lamps.reason) == (False, "dark: south")
    assert isinstance(log, Level)
    assert (log.used, log.capacity) == (700, 1000)
