"""What a station asks of a host: through a real server, with the roles of both."""

from collections.abc import Iterator

import psycopg
import pytest

from tests.archive.copying import shipper
from tests.support.postgres import Server
from watchkeeper.archive.reader import ArchiveReader
from watchkeeper.errors import ArchiveError, ArchiveRefused
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey

POOL = SeriesKey("pool skerry", "space")
GANNET, PETREL = "watchkeeper_host_gannet", "watchkeeper_host_petrel"


@pytest.fixture
def station(archive: Server) -> Iterator[ArchiveReader]:
    """What a station reads and asks with; nothing has been asked yet."""
    archive.query("DELETE FROM watchkeeper.requests")
    reader = ArchiveReader(archive.address(user="watchkeeper_page"))
    yield reader
    reader.close()


def number_of(archive: Server, name: str) -> int:
    """A host's number."""
    return int(archive.query("SELECT host FROM watchkeeper.hosts WHERE name = %s", name)[0][0])


def ask(archive: Server, station: ArchiveReader, host: str, episode: int = 3) -> None:
    """Ask a host to acknowledge the alert about its pool."""
    station.request_acknowledgement(number_of(archive, host), "puffin", POOL, Concern.FULL, episode)


def test_a_request_reaches_its_host_and_is_answered_once(archive: Server, station: ArchiveReader) -> None:
    """The host reads who asks, what about, and how old it is; after its answer it reads it no more."""
    ask(archive, station, "gannet")
    ask(archive, station, "petrel", episode=7)
    to = shipper(archive)
    (asked,) = to.waiting()
    assert (asked.made_by, asked.key, asked.concern, asked.episode) == ("puffin", POOL, Concern.FULL, 3)
    assert 0 <= asked.age_s < 600
    to.answer(asked, "acknowledged")
    assert to.waiting() == []
    to.close()
    answers = archive.query("SELECT answer, answered_at_us >= made_at_us FROM watchkeeper.requests ORDER BY id")
    assert answers == [("acknowledged", True), ("", None)]


def test_what_a_host_cannot_read_does_not_wait_for_ever(archive: Server, station: ArchiveReader) -> None:
    """A concern of a later version, and a key that is none: answered as such; what is readable is returned."""
    make = "SELECT watchkeeper.request_acknowledgement(%s, 'puffin', %s, %s, 1)"
    number = number_of(archive, "gannet")
    for key, concern in (('["pool skerry","space"]', "haunted"), ("no JSON", "full"), ("[1]", "full"), ("7", "full")):
        archive.query(make, number, key, concern)
    ask(archive, station, "gannet")
    to = shipper(archive)
    assert [each.episode for each in to.waiting()] == [3]
    to.close()
    said = archive.query("SELECT answer FROM watchkeeper.requests WHERE answered_at_us IS NOT NULL")
    assert said == [("this version of watchkeeper does not understand it",)] * 4


def test_nobody_goes_beyond_its_part(archive: Server, station: ArchiveReader) -> None:
    """A station neither writes nor answers requests itself; a host sees and answers its own, and makes none."""
    ask(archive, station, "gannet")
    ask(archive, station, "petrel")
    insert = (
        "INSERT INTO watchkeeper.requests (host, made_at_us, made_by, key, concern, episode)"
        " VALUES (1, 0, 'x', '', '', 1)"
    )
    make = "SELECT watchkeeper.request_acknowledgement(1, 'x', 'x', 'x', 1)"
    answer = "UPDATE watchkeeper.requests SET answer = 'x'"
    forbidden = {
        "watchkeeper_page": (insert, answer, "DELETE FROM watchkeeper.requests"),
        GANNET: (insert, make, "DELETE FROM watchkeeper.requests", "UPDATE watchkeeper.requests SET episode = 9"),
    }
    for role, statements in forbidden.items():
        with psycopg.connect(archive.address(user=role), autocommit=True) as conn:
            for statement in statements:
                with pytest.raises(psycopg.errors.InsufficientPrivilege):
                    conn.execute(statement)
    with psycopg.connect(archive.address(user=GANNET), autocommit=True) as conn:
        assert conn.execute("SELECT host FROM watchkeeper.requests").fetchall() == [(number_of(archive, "gannet"),)]
        assert conn.execute(answer).rowcount == 1
    assert archive.query("SELECT count(*) FROM watchkeeper.requests WHERE answer = 'x'") == [(1,)]


def test_requests_are_bounded(archive: Server, station: ArchiveReader) -> None:
    """At most 200 an hour for one host; those of a month ago are deleted with the next one."""
    number = number_of(archive, "gannet")
    archive.query(
        "INSERT INTO watchkeeper.requests (host, made_at_us, made_by, key, concern, episode)"
        " SELECT %s, (extract(epoch FROM now()) * 1e6)::bigint - 31 * 86400000000 * (n %% 2), '', '', 'full', n"
        " FROM generate_series(1, 398) AS n",
        number,
    )
    ask(archive, station, "gannet")
    assert archive.query("SELECT count(*) FROM watchkeeper.requests") == [(200,)]
    with pytest.raises(ArchiveError, match="there were 200 requests to this host within an hour"):
        ask(archive, station, "gannet")
    ask(archive, station, "petrel")


def test_an_archive_without_requests(archive: Server, station: ArchiveReader) -> None:
    """Of the first version: a host copies and finds nothing to do, and a station says what to run."""
    archive.query("DELETE FROM watchkeeper.migrations WHERE number > 1")
    try:
        to = shipper(archive)
        assert to.waiting() == []
        to.close()
        with pytest.raises(ArchiveRefused, match="has version 1, and this watchkeeper needs 2: run watchkeeper"):
            ask(archive, station, "gannet")
    finally:
        archive.query("INSERT INTO watchkeeper.migrations (number) VALUES (2)")
