"""The Debian package, built for real. On purpose alone (PACKAGE_TESTS=1): it takes minutes and the package index."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

pytestmark = [
    pytest.mark.skipif(
        os.environ.get("PACKAGE_TESTS") != "1" or shutil.which("dpkg-deb") is None,
        reason="builds a Debian package on purpose alone: PACKAGE_TESTS=1 deploy/check tests/deploy",
    ),
    pytest.mark.timeout(1_200),
]


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built once."""
    folder = tmp_path_factory.mktemp("dist")
    done = subprocess.run([ROOT / "deploy/package", folder], capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stderr
    path = Path(done.stdout.splitlines()[-1])
    assert path.parent == folder
    return path


def told(*argv: str) -> str:
    """What dpkg-deb says."""
    return subprocess.run(["dpkg-deb", *argv], capture_output=True, text=True, check=True, timeout=600).stdout


def test_what_it_asks_for(package: Path) -> None:
    """It depends on the Python that it was built with, and no word of the control file is left unreplaced."""
    control = told("--field", str(package))
    assert "@" not in control.replace("watchkeeper@localhost.invalid", "")
    assert "python3 (>= 3." in control
    assert "python3 (<< 3." in control


def test_what_it_carries(package: Path) -> None:
    """All of it belongs to root, nobody else may write into it, and every unit, page and program is there."""
    lines = told("--contents", str(package)).splitlines()
    names = {line.split()[5].removeprefix(".") for line in lines}
    for line in lines:
        mode, owner, *_ = line.split()
        assert owner == "root/root", line
        assert mode[0] == "l" or (mode[5] == "-" and mode[8] == "-"), line
    for name in (
        "/lib/systemd/system/watchkeeper.service", "/lib/systemd/system/watchkeeper-helper.socket",
        "/usr/lib/sysusers.d/watchkeeper.conf", "/usr/lib/tmpfiles.d/watchkeeper.conf", "/usr/bin/watchkeeper",
        "/usr/share/man/man1/watchkeeper.1.gz", "/etc/watchkeeper/config.toml",
        "/opt/watchkeeper/.venv/bin/watchkeeper",
    ):  # fmt: skip
        assert name in names


def test_what_it_carries_runs(package: Path, tmp_path: Path) -> None:
    """Nothing in it names the folder in which it was built, and its own Python finds the whole of the program."""
    told("--extract", str(package), str(tmp_path))
    env = tmp_path / "opt/watchkeeper/.venv"
    assert (env / "bin/watchkeeper").read_text().startswith("#!/opt/watchkeeper/.venv/bin/python")
    argv = [str(env / "bin/python"), "-I", "-m", "watchkeeper", "--version"]
    assert subprocess.run(argv, capture_output=True, text=True, check=True, timeout=600).stdout.startswith(
        "watchkeeper "
    )
    (packages,) = env.glob("lib/python3*/site-packages")
    installed = {path.name.partition("-")[0] for path in packages.glob("*.dist-info")}
    assert "watchkeeper" in installed
    assert not installed & {"pip", "setuptools", "hatchling", "editables"}
    assert list(packages.glob("watchkeeper-*.dist-info/sboms/components.cdx.json"))
