"""An archive that is later or earlier than the program that uses it, against a real server."""

from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from tests.archive.copying import assert_equal, ship_all, shipper
from tests.store.material import samples
from tests.support.postgres import Server, server
from watchkeeper.archive.migrations import MIGRATIONS, check_version, migrate, version
from watchkeeper.archive.reader import ArchiveReader
from watchkeeper.archive.setting_up import Wanted, set_up
from watchkeeper.errors import ArchiveRefused
from watchkeeper.store import Store

LATER = len(MIGRATIONS) + 1


@pytest.fixture(scope="module")
def running() -> Iterator[Server]:
    """A server of its own: the tests change the archive's tables."""
    with server() as made:
        set_up(made.address(), Wanted())
        yield made


@pytest.fixture
def archive(running: Server) -> Server:
    """A new archive of this version."""
    running.query("DROP SCHEMA IF EXISTS watchkeeper CASCADE")
    set_up(running.address(), Wanted(hosts=("gannet",), page=True))
    return running


def become_later(archive: Server, oldest: int) -> None:
    """What a later program's archive-init leaves behind: a further column and table, and its number."""
    archive.query("ALTER TABLE watchkeeper.events ADD COLUMN further text")
    archive.query("CREATE TABLE watchkeeper.further (host integer PRIMARY KEY)")
    archive.query("INSERT INTO watchkeeper.migrations (number, oldest) VALUES (%s, %s)", LATER, oldest)


async def test_a_later_archive_that_only_added_is_used(archive: Server, path: Path) -> None:
    """A host of this version goes on writing, and a station goes on reading; only archive-init refuses."""
    become_later(archive, oldest=len(MIGRATIONS))
    async with await Store.open(path) as store:
        await store.commit(samples(50))
        to = shipper(archive)
        await ship_all(store, path, to)
        to.close()
        assert_equal(path, archive)
    reader = ArchiveReader(archive.address(user="watchkeeper_page"))
    assert [each.name for each in reader.hosts()] == ["gannet"]
    reader.close()
    with pytest.raises(
        ArchiveRefused, match=f"has version {LATER}, and this watchkeeper knows up to {len(MIGRATIONS)}"
    ):
        set_up(archive.address(), Wanted())


def test_a_later_archive_for_later_programs_is_refused(archive: Server) -> None:
    """By hosts and stations, before they read or write a row."""
    become_later(archive, oldest=LATER)
    for attempt in (lambda: shipper(archive), lambda: ArchiveReader(archive.address(user="watchkeeper_page"))):
        with pytest.raises(ArchiveRefused, match=f"the archive has version {LATER}, .* install a later one"):
            attempt()


def test_an_archive_from_before_it_said_so_is_used(archive: Server) -> None:
    """It has no column for the oldest version; archive-init adds it."""
    archive.query("ALTER TABLE watchkeeper.migrations DROP COLUMN oldest")
    shipper(archive).close()
    with psycopg.connect(archive.address()) as conn:
        assert migrate(conn) == len(MIGRATIONS)
        found = conn.execute("SELECT number, oldest FROM watchkeeper.migrations ORDER BY number").fetchall()
        assert found == [(number, 1) for number in range(1, LATER)]


def test_an_archive_that_is_too_old_is_refused(archive: Server) -> None:
    """With the command that helps."""
    with psycopg.connect(archive.address()) as conn:
        with pytest.raises(ArchiveRefused, match=rf"has version {len(MIGRATIONS)}, .* run watchkeeper archive-init"):
            check_version(conn, LATER)
        conn.execute("DROP SCHEMA watchkeeper CASCADE")
        assert version(conn) == 0
        with pytest.raises(ArchiveRefused, match="has version 0"):
            check_version(conn, 1)
