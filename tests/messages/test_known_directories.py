"""What well-known directories hold: against the standards, and what is on this system."""

import shutil
import subprocess

import pytest

from watchkeeper.messages.known_directories import KNOWN, known, said_of
from watchkeeper.model.observation import SeriesKey


@pytest.mark.parametrize(
    ("path", "holds"),
    [
        ("/var/log/journal", "the systemd journal"),  # file-hierarchy(7): "Vendor-independent ... log data", journald
        ("/var/log/journal/0123456789abcdef", "the systemd journal"),
        ("/var/log/nginx", "logs"),  # FHS 3.0, 5.10
        ("/var/cache/apt/archives", "packages that apt has downloaded"),  # apt-get(8), FILES
        ("/var/cache/man", "caches, which their programs can make again"),  # FHS 3.0, 5.5
        ("/var/lib/docker/overlay2/1f", "images, containers and volumes of Docker"),
        ("/home/keeper/.cache/pip", "caches of a user's programs, which can be deleted"),  # XDG 0.8: non-essential data
        ("/srv/lost+found", "files that a check of the file system has saved"),  # e2fsck(8)
        ("/var/spool/postfix/deferred", "queues: mail, print jobs"),  # FHS 3.0, 5.14
        ("/var/tmp/x", "temporary files that outlive a restart"),  # FHS 3.0, 5.15
    ],
)
def test_the_nearest_known_directory_counts(path: str, holds: str) -> None:
    """Itself, or one above it."""
    found = known(path)
    assert found is not None
    assert found.holds == holds


@pytest.mark.parametrize("path", ["/srv/footage", "/", "", "/home/keeper", "/home/keeper/a/.cache", "/data/var/log"])
def test_nothing_is_said_of_others(path: str) -> None:
    """A name in another place means something else."""
    assert known(path) is None
    assert said_of(SeriesKey(f"directory {path}", "size")) == ""


def test_what_is_put_behind_a_name() -> None:
    """What it holds, and the command that makes it smaller; nothing behind what is no directory."""
    key = SeriesKey("directory /var/cache/apt/archives", "size")
    assert said_of(key) == " (packages that apt has downloaded; `apt clean` removes them)"
    assert said_of(SeriesKey("directory /var/log/nginx", "size")) == " (logs)"
    assert said_of(SeriesKey("dataset /var/log", "size")) == ""


def test_the_commands_exist() -> None:
    """Those of this distribution know the words that are named: their own help says so."""
    for program, word in (("journalctl", "--vacuum-size"), ("apt-get", "clean"), ("coredumpctl", "list")):
        if shutil.which(program):
            shown = subprocess.run([program, "--help"], capture_output=True, text=True, check=False, timeout=30)
            assert word in shown.stdout, program
    assert any(each.smaller for each in KNOWN.values())
