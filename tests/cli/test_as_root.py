"""Commands that root types while the daemon's user has put links to root's file in the place of everything."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.store.damage import make
from tests.support.folders import DAEMON, STRANGER, Ground, ground, link
from watchkeeper.daemon.daemon import KEY_NAME
from watchkeeper.store.files import backup as copies

pytestmark = pytest.mark.untraced

ROOT = Path(__file__).parents[2]
PROBE = '[[probe]]\nkind = "job"\nname = "nightly-backup"\nwithin = "26h"\n'


@pytest.fixture(scope="module")
def backup(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A backup of root's own."""
    home = tmp_path_factory.mktemp("roots")
    make(home / "watchkeeper.db")
    copies.back_up(home / "watchkeeper.db", home / "backup.db", replace=False)
    return home / "backup.db"


@pytest.fixture(params=["open", "closed"])
def where(request: pytest.FixtureRequest, backup: Path) -> Iterator[Ground]:
    """The daemon's folder, and root's configuration that names it."""
    with ground(closed=request.param == "closed") as laid:
        laid.database.write_bytes(backup.read_bytes())
        laid.give()
        path = f'[host]\nname = "gannet"\n[store]\npath = "{laid.database}"\n[page]\nport = 0\n'
        (laid.top / "gannet.toml").write_text(path + PROBE)
        yield laid


def types(where: Ground, *words: str, given: str = "") -> "subprocess.CompletedProcess[str]":
    """A command as root types it."""
    argv = [sys.executable, "-m", "watchkeeper", "--config", str(where.top / "gannet.toml"), *words]
    environment = {**os.environ, "HOME": str(where.top)}
    return subprocess.run(
        argv, input=given, env=environment, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )


def commands(where: Ground, backup: Path) -> Iterator[list[str]]:
    """Everything that opens the database, or leaves something beside it."""
    yield ["status", "--json"]
    yield ["events"]
    yield ["ran", "nightly-backup"]
    yield ["backup", str(where.top / "copy.db")]
    yield ["restore", str(backup)]


def test_without_a_trap(where: Ground, backup: Path) -> None:
    """Root does all of it on the service's database, and whatever is made there is the daemon's."""
    for words in commands(where, backup):
        done = types(where, *words)
        assert done.returncode in ((0, 1) if words[0] == "status" else (0,)), done.stderr
    assert (where.top / "copy.db").stat().st_uid == 0
    for path in where.state.rglob("*"):
        assert (path.lstat().st_uid, path.lstat().st_gid) == (DAEMON, DAEMON), path
    assert where.untouched


def test_links_in_every_place(where: Ground, backup: Path) -> None:
    """Each command refuses with one line and exit code 69 or 77, or does its work; root's file is as it was."""
    for name in ("-wal", "-shm", "-journal", ".lock", ".jobs", ".salvaging"):
        link(where.database.with_name(where.database.name + name), where)
    link(where.state / KEY_NAME, where)
    for words in [*commands(where, backup), ["run"]]:
        done = types(where, *words)
        code = 77 if words == ["run"] else 69
        assert (done.returncode, len(done.stderr.splitlines())) == (code, 1), (words, done.stderr)
        assert "Traceback" not in done.stderr
        assert where.untouched, words


def test_a_configuration_in_the_daemons_folder_is_only_read(where: Ground) -> None:
    """A link in its place shows nothing of root's file and changes nothing."""
    link(where.state / "gannet.toml", where)
    done = types(where, "--config", str(where.state / "gannet.toml"), "check-config")
    assert done.returncode == 78
    assert "root's own" not in done.stdout + done.stderr
    assert where.untouched


@pytest.mark.parametrize("where", ["open"], indirect=True)
@pytest.mark.parametrize("name", ["theirs", "shared"])
def test_files_that_root_has_written_elsewhere(where: Ground, name: str) -> None:
    """A hash, a picture and a proposal: never through a link, and with the rights of the folder's owner."""
    place = where.top / name
    place.mkdir()
    if name == "shared":
        place.chmod(0o1777)
    for each in ("hash", ".hash.new", "skerry.svg", "proposal.toml"):
        link(place / each, where)
    lines = [f"2026-03-{day:02}T00:00:00Z,{300 + 20 * day},1000" for day in range(1, 30)]
    (where.top / "skerry.csv").write_text("\n".join(["time,used,capacity", *lines, ""]))
    if name == "theirs":
        os.chown(place, STRANGER, STRANGER)
    owner = STRANGER if name == "theirs" else 0
    hashed = types(where, "password", "--output", str(place / "hash"), given="guillemots-on-the-ledge\n")
    drawn = types(where, "backtest", "--picture", str(place / "skerry.svg"), str(where.top / "skerry.csv"))
    proposed = types(where, "discover", "--no-requests", "--write", str(place / "proposal.toml"))
    assert (hashed.returncode, drawn.returncode, proposed.returncode) == (0, 0, 73), (hashed, drawn, proposed)
    assert "exists and is not overwritten" in proposed.stderr
    for each in ("hash", "skerry.svg"):
        assert (place / each).lstat().st_uid == owner
        assert not (place / each).is_symlink()
    assert where.untouched
