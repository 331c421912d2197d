"""deploy/environment: one set-up at a time, with the shell and flock(1) of this machine."""

import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]

SCRIPT = """
cd "$1"
. deploy/environment
install_packages() {
    echo begin >>log
    sleep 0.5
    mkdir -p .venv/bin && ln -s "$(command -v python3)" .venv/bin/python
    cp deploy/lock/run.txt .venv/.run && cp pyproject.toml .venv/.project
    echo end >>log
}
environment run
echo ready >>log
"""


def test_two_starts_at_once_set_it_up_once(tmp_path: Path) -> None:
    """The second waits for the first, and then finds nothing to do; a third later does not even wait."""
    (tmp_path / "deploy").symlink_to(ROOT / "deploy")
    (tmp_path / "pyproject.toml").symlink_to(ROOT / "pyproject.toml")
    argv = ["sh", "-eu", "-c", SCRIPT, "sh", str(tmp_path)]
    both = [subprocess.Popen(argv, stderr=subprocess.PIPE) for _ in range(2)]
    for each in both:
        assert each.communicate(timeout=60)[1] == b""
        assert each.returncode == 0
    assert (tmp_path / "log").read_text().split() == ["begin", "end", "ready", "ready"]
    subprocess.run(argv, check=True, timeout=60)
    assert (tmp_path / "log").read_text().split()[-2:] == ["ready", "ready"]


def test_a_failed_set_up_ends_the_script_with_its_code(tmp_path: Path) -> None:
    """Not only the part that holds the lock."""
    (tmp_path / "deploy").symlink_to(ROOT / "deploy")
    (tmp_path / "pyproject.toml").symlink_to(ROOT / "pyproject.toml")
    script = SCRIPT.replace("echo begin >>log", 'fail 69 "no index"')
    done = subprocess.run(
        ["sh", "-eu", "-c", script, "sh", str(tmp_path)], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stderr) == (69, "watchkeeper: no index\n")
    assert not (tmp_path / "log").exists()
