"""dpkg's log: what dpkg itself writes there, and the log as logrotate leaves it."""

import shutil
import subprocess
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.support.needs import need
from watchkeeper.clock import Clock
from watchkeeper.model.change import Change
from watchkeeper.probes.changes import package_log
from watchkeeper.probes.changes.package_log import FIRST_SPAN, LOG, LogPlace, read


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A root with a folder for logs."""
    (tmp_path / LOG).parent.mkdir(parents=True)
    return tmp_path


def line(text: str, at: datetime) -> str:
    """A line as dpkg writes it, in local time."""
    return f"{at.astimezone():%Y-%m-%d %H:%M:%S} {text}\n"


def add(root: Path, *texts: str) -> None:
    """Append lines of now."""
    with (root / LOG).open("a") as log:
        log.writelines(line(each, Clock().now()) for each in texts)


def said(found: tuple[Change, ...]) -> list[str]:
    """Each change in words."""
    return [f"{each.what} {each.action} {each.detail}".strip() for each in found]


UPGRADE = "upgrade openssl:amd64 3.0.9-1 3.0.11-1"


def package(folder: Path, version: str) -> Path:
    """An empty package, built by dpkg-deb."""
    control = folder / version / "DEBIAN/control"
    control.parent.mkdir(parents=True)
    control.write_text(
        f"Package: hide-lamps\nVersion: {version}\nArchitecture: all\n"
        "Maintainer: Station <station@example.org>\nDescription: nothing\n"
    )
    deb = folder / f"{version}.deb"
    subprocess.run(["dpkg-deb", "--build", folder / version, deb], check=True, capture_output=True, timeout=120)
    return deb


def test_what_dpkg_itself_logs(root: Path, tmp_path: Path) -> None:
    """Installed, upgraded, installed again and removed, below a folder of its own; steps in between are no changes."""
    need(shutil.which("dpkg-deb"), "dpkg is needed")
    for folder in ("updates", "info"):
        (root / "var/lib/dpkg" / folder).mkdir(parents=True)
    (root / "var/lib/dpkg/status").touch()

    def dpkg(*words: str | Path) -> None:
        always = [f"--root={root}", f"--log={root / LOG}", "--force-not-root", "--force-bad-path"]
        subprocess.run(["dpkg", *always, *words], check=True, capture_output=True, timeout=120)

    one, two = package(tmp_path, "1.0"), package(tmp_path, "1.1")
    (root / LOG).touch()
    place = read(root, LogPlace(), Clock().now()).place
    for words in (["-i", one], ["-i", two], ["-i", two], ["-r", "hide-lamps"]):
        dpkg(*words)
    found = read(root, place, Clock().now())
    assert said(found.changes) == [
        "hide-lamps installed 1.0",
        "hide-lamps upgraded from 1.0 to 1.1",
        "hide-lamps installed again 1.1",
        "hide-lamps removed 1.1",
    ]
    assert all(timedelta() <= Clock().now() - each.at < timedelta(minutes=5) for each in found.changes)
    assert not found.lost
    assert read(root, found.place, Clock().now()).changes == ()


def test_a_first_run_takes_a_week(root: Path) -> None:
    """What is older is not imported; nor is a line that is cut by the limit."""
    old = line(UPGRADE, Clock().now() - FIRST_SPAN - timedelta(days=1))
    (root / LOG).write_text("x" * 300_000 + "\n" + old)
    add(root, "remove tar:amd64 1.34 <none>")
    assert said(read(root, LogPlace(), Clock().now()).changes) == ["tar removed 1.34"]


def test_rotation_loses_nothing(root: Path) -> None:
    """What was written before the log was renamed is read under its new name."""
    add(root, "startup archives unpack")
    place = read(root, LogPlace(), Clock().now()).place
    add(root, UPGRADE)
    (root / LOG).rename(root / f"{LOG}.1")
    assert read(root, place, Clock().now()).place == place  # renamed, and the new one is not there yet
    add(root, "install tar:amd64 <none> 1.34")
    found = read(root, place, Clock().now())
    assert said(found.changes) == ["openssl upgraded from 3.0.9-1 to 3.0.11-1", "tar installed 1.34"]
    assert not found.lost


def test_a_log_that_was_rotated_twice_or_cut_has_a_gap(root: Path) -> None:
    """What is left is read, and that something is missing is said."""
    add(root, "startup archives unpack")
    place = read(root, LogPlace(), Clock().now()).place
    (root / LOG).rename(root / f"{LOG}.2")
    add(root, UPGRADE)
    found = read(root, place, Clock().now())
    assert (len(found.changes), found.lost) == (1, True)
    with (root / LOG).open("r+") as log:
        log.truncate(0)
    add(root, "purge tar:amd64 1.34 <none>")
    (root / f"{LOG}.1").write_text("")
    found = read(root, found.place.model_copy(update={"offset": 10**6}), Clock().now())
    assert (said(found.changes), found.lost) == (["tar purged 1.34"], True)


def test_a_long_log_is_read_in_parts(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also over a rotation; no line is cut, and a line without an end does not stop it."""
    monkeypatch.setattr(package_log, "AT_ONCE", 150)
    add(root, "startup archives unpack")
    place = read(root, LogPlace(), Clock().now()).place
    add(root, *(f"install part-{n}:all <none> 1" for n in range(8)), "x" * 200)
    (root / LOG).rename(root / f"{LOG}.1")
    add(root, *(f"install part-{n}:all <none> 1" for n in range(8, 12)))
    found: list[str] = []
    for _ in range(12):
        step = read(root, place, Clock().now())
        found, place = [*found, *(each.what for each in step.changes)], step.place
        assert not step.lost
    assert found == [f"part-{n}" for n in range(12)]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "status installed openssl:amd64 3.0.11-1",
        "9999-99-99 25:61:61 upgrade openssl:amd64 1 2",
        "upgrade",
        "\0\x1b[2J upgrade a b c d",
    ],
)
def test_what_is_no_change(root: Path, text: str) -> None:
    """Lines of other kinds, and lines that nobody can read."""
    (root / LOG).write_bytes(b"\xff\xfe\n" + text.encode() + b"\n")
    assert read(root, LogPlace(), Clock().now()).changes == ()


def test_without_a_log(root: Path) -> None:
    """Another package manager: nothing, and no error. A log that is a folder is an error."""
    assert read(root, LogPlace(), Clock().now()).changes == ()
    (root / LOG).mkdir()
    with pytest.raises(OSError, match="Is a directory"):
        read(root, LogPlace(), Clock().now())
