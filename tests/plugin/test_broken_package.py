"""Packages that cannot be used, beside real processes: the command says why, and the daemon starts all the same."""

import json
import os
import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.support.daemon import Daemon, command

WHY = "of watch_of_x cannot be used: watch_of_x:KIND fails with ModuleNotFoundError: No module named 'gauge'"
PROBE, NOTIFIER = f"probe 'tide' {WHY}", f"notifier 'bell' {WHY}"


@pytest.fixture
def environment(tmp_path: Path) -> Mapping[str, str]:
    """Where a package is installed whose module cannot be imported."""
    packages = tmp_path / "site-packages"
    info = packages / "watch_of_x-1.0.dist-info"
    info.mkdir(parents=True)
    (packages / "watch_of_x.py").write_text("import gauge\n")
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: watch_of_x\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[watchkeeper.probes]\ntide = watch_of_x:KIND\n[watchkeeper.notifiers]\nbell = watch_of_x:KIND\n"
    )
    own = {name: value for name, value in os.environ.items() if not name.startswith(("WATCHKEEPER_", "XDG_"))}
    paths = [str(packages), str(Path(__file__).parents[2])]
    return {**own, "HOME": str(tmp_path), "PYTHONPATH": os.pathsep.join(paths)}


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration that needs no package."""
    path = tmp_path / "gannet.toml"
    path.write_text(f'[store]\npath = "{tmp_path / "watchkeeper.db"}"\n[page]\nport = 0\n')
    return path


def check(config: Path, environment: Mapping[str, str], *more: str) -> subprocess.CompletedProcess[str]:
    """Run check-config."""
    argv = [*command(config)[:-1], "check-config", *more]
    return subprocess.run(argv, env=environment, capture_output=True, text=True, check=False, timeout=120)


def test_check_config_says_why(config: Path, environment: Mapping[str, str]) -> None:
    """Both kinds are named, once each, in both forms; the configuration can be used."""
    done = check(config, environment)
    assert done.returncode == 0
    assert done.stderr.splitlines() == [f"watchkeeper: {PROBE}", f"watchkeeper: {NOTIFIER}"]
    done = check(config, environment, "--json")
    assert json.loads(done.stdout)["warnings"] == [PROBE, NOTIFIER]
    assert done.stderr == ""


def test_a_table_of_such_a_kind_is_an_error_with_the_reason(config: Path, environment: Mapping[str, str]) -> None:
    """It is told at the table, instead of a list of the kinds that are known; another unknown kind gets that list."""
    with config.open("a") as file:
        file.write('[[probe]]\nkind = "tide"\n[[notifier]]\nkind = "bell"\n[[notifier]]\nkind = "horn"\n')
    done = check(config, environment)
    assert done.returncode == 78
    assert f'probe[1].kind (the 1st [[probe]], of kind "tide"): {PROBE}' in done.stderr
    assert f'notifier[1].kind (the 1st [[notifier]], of kind "bell"): {NOTIFIER}' in done.stderr
    assert '"horn" is not a known kind; the kinds are webhook' in done.stderr


def test_the_daemon_starts_and_logs_why(config: Path, environment: Mapping[str, str], tmp_path: Path) -> None:
    """Nothing but the package's own kinds is missing."""
    log = tmp_path / "log"
    with log.open("w") as errors:
        process = subprocess.Popen(command(config), env=environment, stdout=subprocess.PIPE, stderr=errors, text=True)
        with Daemon(process) as daemon:
            assert daemon.stop(60) == 0
    assert log.read_text().count(PROBE) == 1
    assert log.read_text().count(NOTIFIER) == 1
