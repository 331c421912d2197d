"""`backup --all`: one archive with everything that another machine needs."""

import stat
import tarfile
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.store.damage import make
from tests.store.material import asked
from watchkeeper.cli.archive import LARGEST
from watchkeeper.cli.exit_codes import Exit


@pytest.fixture
def host(config: Path) -> Path:
    """A configuration with secrets, and a database with what lies beside it; returns their folder."""
    folder = config.parent
    make(folder / "watchkeeper.db")
    (folder / "acknowledge.key").write_text("a key")
    (folder / "watchkeeper.db.jobs").mkdir()
    (folder / "watchkeeper.db.jobs" / "report.json").write_text("{}")
    (folder / "large.key").write_bytes(b"x" * (LARGEST + 1))
    (folder / "link.key").symlink_to("/etc/passwd")
    (folder / "phone-url").write_text("https://push.example.org/secret\n")
    with config.open("a") as file:
        file.write(f'[[notifier]]\nkind = "webhook"\nname = "phone"\nurl = {{ file = "{folder / "phone-url"}" }}\n')
    return folder


def test_everything_is_in_it_and_can_be_put_back(run: Run, host: Path, config: Path, tmp_path: Path) -> None:
    """The database as a checked copy that `restore` takes; no links are followed; only its owner can read it."""
    target = tmp_path / "gannet.tar"
    said = run("backup", "--all", str(target))
    assert said.exit_code == Exit.OK, said.stderr
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    with tarfile.open(target) as archive:
        assert sorted(archive.getnames()) == sorted(
            [
                "state/watchkeeper.db",
                "state/acknowledge.key",
                "state/watchkeeper.db.jobs/report.json",
                f"configuration{config}",
                f"configuration{host / 'phone-url'}",
            ]
        )
        assert {each.mode for each in archive.getmembers()} == {0o600}
        archive.extractall(tmp_path / "new", filter="data")
    assert (tmp_path / "new" / "state" / "acknowledge.key").read_text() == "a key"
    before = asked(host / "watchkeeper.db", "SELECT count(*) FROM events")
    (host / "watchkeeper.db").unlink()
    assert run("restore", str(tmp_path / "new" / "state" / "watchkeeper.db")).exit_code == Exit.OK
    assert asked(host / "watchkeeper.db", "SELECT count(*) FROM events") == before


@pytest.mark.usefixtures("host")
def test_an_existing_file_is_only_replaced_on_request(run: Run, tmp_path: Path) -> None:
    """And a place that cannot be written is an error that names it; nothing is left behind."""
    target = tmp_path / "gannet.tar"
    target.write_text("mine")
    refused = run("backup", "--all", str(target))
    assert (refused.exit_code, target.read_text()) == (Exit.CANNOT_CREATE, "mine")
    assert run("backup", "--all", "--force", str(target)).exit_code == Exit.OK
    assert tarfile.is_tarfile(target)
    nowhere = run("backup", "--all", str(tmp_path / "none" / "gannet.tar"))
    assert (nowhere.exit_code, "cannot be written" in nowhere.stderr) == (Exit.CANNOT_CREATE, True)
    assert not list(tmp_path.glob(".*.part"))
