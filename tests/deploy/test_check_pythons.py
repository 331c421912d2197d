"""deploy/check-pythons: which other versions of Python the check tries, and what it does where one is not there."""

import os
import re
import subprocess
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
CHECK = ROOT / "deploy" / "check-pythons"


def run(*versions: str, path: str, pyenv: Path) -> subprocess.CompletedProcess[str]:
    """Run it with interpreters that are only where the test put them."""
    environ = {"PATH": path, "HOME": str(pyenv), "PYENV_ROOT": str(pyenv)}
    return subprocess.run([str(CHECK), *versions], env=environ, capture_output=True, text=True, timeout=60, check=False)


def test_a_version_that_is_not_there_is_reported_and_is_no_failure(tmp_path: Path) -> None:
    """Nor is one whose interpreter does not start or lacks modules, as Debian's does without python3-venv."""
    broken = tmp_path / "python3.98"
    broken.write_text("#!/bin/sh\nexit 1\n", encoding="utf-8")
    broken.chmod(0o755)
    done = run("3.98", "3.99", path=f"{tmp_path}:{os.defpath}", pyenv=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stderr.splitlines() == [
        "== Python 3.98: not on this machine, not tried",
        "== Python 3.99: not on this machine, not tried",
        "== tried beside Python 3.11: none",
    ]


def test_what_is_tried_is_what_the_package_says_it_supports() -> None:
    """The classifiers, the versions that the script tries and the README name the same ones."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    said = re.findall(r"Python :: (3\.\d+)", "\n".join(project["classifiers"]))
    given = re.search(r"set -- ([\d. ]+)$", CHECK.read_text(encoding="utf-8"), re.MULTILINE)
    assert given is not None
    assert said == ["3.11", *given[1].split()]
    assert f"Python {said[0]} to {said[-1]}" in (ROOT / "README.md").read_text(encoding="utf-8")
