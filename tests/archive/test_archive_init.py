"""The command that sets an archive up, against a real server."""

from pathlib import Path

import psycopg
import pytest
from click.testing import CliRunner

from tests.support.postgres import Server
from watchkeeper.archive.driver import parts
from watchkeeper.archive.migrations import MIGRATIONS
from watchkeeper.archive.rights import LONGEST_ROLE, role_of
from watchkeeper.cli import main
from watchkeeper.cli.commands.archive.archive_init import _given, socket_of
from watchkeeper.errors import InputMissing


def run(tmp_path: Path, archive: Server, *words: str) -> tuple[int, str]:
    """Its exit code and what it prints."""
    (tmp_path / "owner-url").write_text(archive.address())
    given = ["archive-init", *words, "--url-file", str(tmp_path / "owner-url")]
    done = CliRunner().invoke(main, given)
    return done.exit_code, done.output


def test_it_prints_what_to_put_where_once(tmp_path: Path, archive: Server) -> None:
    """A password once, an address that may be used, nothing twice, and a new password if asked."""
    code, said = run(tmp_path, archive, "fulmar", "--address", "jetty.example.org")
    assert code == 0
    assert said.startswith("the archive is complete\n")
    address = next(line.strip() for line in said.splitlines() if "postgresql://" in line)
    found = parts(address)
    assert found["sslmode"] == "verify-full"
    assert found["host"] == "jetty.example.org"
    assert found["user"] == "watchkeeper_host_fulmar"
    code, said = run(tmp_path, archive, "fulmar")
    assert code == 0
    assert "fulmar: has its login already" in said
    assert "postgresql://" not in said
    code, said = run(tmp_path, archive, "fulmar", "--new-passwords")
    address = next(line.strip() for line in said.splitlines() if "postgresql://" in line)
    assert parts(address)["host"] == str(archive.folder)
    assert parts(address)["password"] != found["password"]


def test_hostile_names_are_only_names(tmp_path: Path, archive: Server) -> None:
    """Quotes and semicolons do nothing, and a long name has a role of its own."""
    hostile = '"; DROP SCHEMA watchkeeper CASCADE; --'
    long = "petrel" * 15
    assert run(tmp_path, archive, hostile, long)[0] == 0
    names = {name for (name,) in archive.query("SELECT name FROM watchkeeper.hosts")}
    assert {hostile, long, "gannet"} <= names
    assert len(role_of(long).encode()) == LONGEST_ROLE
    assert role_of(long) != role_of(long + "x")
    with psycopg.connect(archive.address(user=role_of(hostile))) as conn:
        own = conn.execute("SELECT name FROM watchkeeper.hosts").fetchall()
    assert own == [(hostile,)]


def test_what_is_not_there_is_said(tmp_path: Path, archive: Server) -> None:
    """An unknown host, a file that is missing, and an archive of a later version."""
    code, said = run(tmp_path, archive, "--replace", "puffin")
    assert code == 69
    assert 'the archive has no host "puffin": run watchkeeper archive-init puffin' in said
    with pytest.raises(InputMissing, match="none cannot be read: No such file"):
        _given(tmp_path / "none")
    assert _given(None) == "dbname=watchkeeper"
    assert socket_of("dbname=watchkeeper") == "/var/run/postgresql"
    later = len(MIGRATIONS) + 1
    archive.query("INSERT INTO watchkeeper.migrations (number) VALUES (%s)", later)
    try:
        code, said = run(tmp_path, archive, "gannet")
        assert code == 69
        assert f"the archive has version {later}, and this watchkeeper knows up to {len(MIGRATIONS)}" in said
    finally:
        archive.query("DELETE FROM watchkeeper.migrations WHERE number = %s", later)


def test_a_station_needs_the_address_of_the_archive(tmp_path: Path) -> None:
    """Without it nothing is started."""
    (tmp_path / "config.toml").write_text("watch_host = false\n")
    done = CliRunner().invoke(main, ["--config", str(tmp_path / "config.toml"), "station"])
    assert done.exit_code == 78
    assert "archive.url: is needed for a station" in done.output
