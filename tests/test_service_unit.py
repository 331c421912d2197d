"""The systemd units under deploy/."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.support.needs import need

UNITS = sorted(Path("deploy/systemd").glob("*.service")) + sorted(Path("deploy/systemd").glob("*.socket"))


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
def test_systemd_accepts_the_unit(unit: Path, tmp_path: Path) -> None:
    """`systemd-analyze verify` finds nothing to say, with the program in its place."""
    need(shutil.which("systemd-analyze"), "systemd-analyze is not installed")
    for each in UNITS:
        # The program is not installed where the tests run; any other that is there stands in for it.
        text = re.sub(r"/opt/watchkeeper/\.venv/bin/\w+", shutil.which("true") or "/bin/true", each.read_text())
        (tmp_path / each.name).write_text(text)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(tmp_path / unit.name)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
