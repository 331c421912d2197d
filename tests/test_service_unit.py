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
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")


OPEN_TENTHS = {"watchkeeper.service": 15, "watchkeeper-helper@.service": 33, "watchkeeper-reader@.service": 4}
"""The most that systemd-analyze of systemd 252 may find open, in tenths of its score (0: shut, 100: open).

The daemon's is the lowest at which no probe is blind: what is open says why in the unit.
Of the helper's, the most is that it is root with rights on disks, which is what it is for; three tenths are that it may
become another user: the service manager of a user answers that user alone.
"""


@pytest.mark.parametrize("name", OPEN_TENTHS)
def test_no_more_is_open_than_is_needed(name: str) -> None:
    """`systemd-analyze security` finds the unit no more exposed than it was when each opening was weighed."""
    need(shutil.which("systemd-analyze"), "systemd-analyze is not installed")
    done = subprocess.run(
        [
            *("systemd-analyze", "security", "--offline=true", "--no-pager"),
            *(f"--threshold={OPEN_TENTHS[name]}", f"deploy/systemd/{name}"),
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize(
    "setting",
    ["ProcSubset=", "PrivateDevices=", "PrivateUsers=", "PrivateNetwork=", "RootDirectory="],
)
def test_what_would_blind_a_probe_is_not_set_and_the_unit_says_why(setting: str) -> None:
    """Each of these lowers the score, and a probe would see less; a comment in the unit names it."""
    lines = Path("deploy/systemd/watchkeeper.service").read_text().splitlines()
    assert not [line for line in lines if line.startswith(setting)]
    assert [line for line in lines if line.startswith("#") and setting in line]
