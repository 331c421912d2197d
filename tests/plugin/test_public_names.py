"""What other packages may import: the list of names, and that nothing of ours asks for more than it."""

import ast
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.plugin.conftest import PACKAGES
from watchkeeper import plugin

ROOT = Path(__file__).parents[2]
MANUAL = (ROOT / "watchkeeper/manual/plugins.md").read_text(encoding="utf-8")
MODULES = sorted(PACKAGES.glob("*/*/__init__.py"))
BLOCKS = re.findall(r"^```python\n(.*?)^```", MANUAL, re.MULTILINE | re.DOTALL)
MYPY_S = 200
"""About 5 s on two idle cores."""

NAMES = """
Answer BackgroundNotifier BaseProbe Clock Concern Condition Deadline Delay DeliveryDeferred DeliveryRefused Duration
Facts Kind Level Limit Message NotificationKind Notifier NotifierKind Observation Priority PriorityOrNever PriorityWord
PrivilegeMissing Probe ProbeContext ProbeError ProbeKind ProbeSettings ProbeState ProbeTimeout ReceiverSettings
RulesSettings SecretSource SeriesKey Size State StateModel StillHanging Strict ToolMissing Unit WholePath Workers
read_secret
"""
"""A name that is taken away or renamed breaks packages of other people: that needs a new minor version."""


def imported(source: str) -> set[str]:
    """The modules of watchkeeper that a module imports."""
    found = set[str]()
    for each in ast.walk(ast.parse(source)):
        if isinstance(each, ast.Import):
            found |= {alias.name for alias in each.names}
        elif isinstance(each, ast.ImportFrom):
            found.add(each.module or "")
    return {each for each in found if each.partition(".")[0] == "watchkeeper"}


def test_the_names_are_these() -> None:
    """The list is pinned, each name is there, and the module has no other public ones."""
    assert sorted(plugin.__all__) == NAMES.split()
    there = {name for name, value in vars(plugin).items() if name[0] != "_" and not inspect.ismodule(value)}
    assert there == {*plugin.__all__}


@pytest.mark.parametrize("source", [*BLOCKS, *(each.read_text(encoding="utf-8") for each in MODULES)])
def test_examples_import_the_public_names_alone(source: str) -> None:
    """Neither the manual nor an example package reaches into the rest of watchkeeper."""
    assert imported(source) <= {"watchkeeper.plugin"}


def test_the_manual_names_no_other_module() -> None:
    """Its sentences send nobody to a module that may change with any release."""
    assert set(re.findall(r"watchkeeper\.[a-z_.]*[a-z]", MANUAL)) == {
        "watchkeeper.plugin",
        "watchkeeper.probes",  # the groups of entry points
        "watchkeeper.notifiers",
    }


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.parent.name)
def test_the_manual_shows_the_packages_as_they_are(module: Path) -> None:
    """What is built, installed and checked here is what the manual shows."""
    project = (module.parents[1] / "pyproject.toml").read_text(encoding="utf-8")
    assert module.read_text(encoding="utf-8") in BLOCKS
    assert f"```toml\n{project}```" in MANUAL


def test_a_package_can_be_checked_strictly(installed: Path) -> None:
    """Mypy finds the types of the installed watchkeeper, and all of the examples agree with them."""
    argv = [sys.executable, "-m", "mypy", "--strict", "--config-file=", f"--cache-dir={installed.parent / 'cache'}"]
    packages = sorted(each.name for each in installed.glob("watch_of_*") if each.suffix == "")
    done = subprocess.run(
        [*argv, *packages], cwd=installed, capture_output=True, text=True, check=False, timeout=MYPY_S
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"no issues found in {len(packages)} source files" in done.stdout
