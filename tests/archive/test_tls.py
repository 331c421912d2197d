"""The archive over a network: TLS with a checked certificate, against a real server with certificates of its own."""

import socket
import ssl
import struct
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
import trustme

from tests.archive.copying import assert_equal, ship_all
from tests.store.material import samples
from tests.support.postgres import Server, server
from tests.support.receivers import free_port
from tests.support.waiting import until
from watchkeeper.archive.reader import ArchiveReader
from watchkeeper.archive.setting_up import Wanted, set_up
from watchkeeper.archive.shipping import Shipper
from watchkeeper.errors import ArchiveError
from watchkeeper.store import Store

NAME = "jetty.example.org"
GANNET, PAGE = "watchkeeper_host_gannet", "watchkeeper_page"


@pytest.fixture(scope="module")
def running() -> Iterator[Server]:
    """A server that listens on loopback, without a certificate so far."""
    with server("listen_addresses=127.0.0.1", port=free_port()) as made:
        set_up(made.address(), Wanted(hosts=("gannet",), page=True))
        yield made


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    """The household's own authority."""
    return trustme.CA()


def over_tls(to: Server, authority: trustme.CA, folder: Path, user: str = GANNET, name: str = NAME) -> str:
    """The address that archive-init prints, with the file of an authority. The name is not resolved."""
    file = folder / "authority.pem"
    authority.cert_pem.write_to_path(file)
    return psycopg.conninfo.make_conninfo(
        host=name, hostaddr="127.0.0.1", port=to.port, dbname="watchkeeper", user=user,
        sslmode="verify-full", sslrootcert=str(file),
    )  # fmt: skip


def shipped(address: str) -> Shipper:
    """A connection of the host."""
    return Shipper(address, host="gannet", installation="one", version="test")


def refusal(address: str) -> str:
    """Why nothing is copied to an address."""
    with pytest.raises(ArchiveError) as raised:
        shipped(address).close()
    return str(raised.value)


def use(to: Server, certificate: trustme.LeafCert) -> None:
    """Let the server present a certificate; it reads it a moment after it was told to."""
    to.use_certificate(certificate)
    shown = certificate.cert_chain_pems[0].bytes().decode()
    until("the server's new certificate", lambda: _presented(to).strip() == shown.strip())


def _presented(to: Server) -> str:

    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    with socket.create_connection(("127.0.0.1", to.port), timeout=10) as plain:
        plain.sendall(struct.pack("!ii", 8, 80877103))  # SSLRequest, PostgreSQL's documentation, "Message Formats"
        if plain.recv(1) != b"S":
            return ""
        with context.wrap_socket(plain) as over:
            return ssl.DER_cert_to_PEM_cert(over.getpeercert(binary_form=True) or b"")


async def test_a_host_and_a_station_use_it(running: Server, authority: trustme.CA, tmp_path: Path, path: Path) -> None:
    """Everything is copied, and the server says that the connection is encrypted."""
    use(running, authority.issue_cert(NAME))
    async with await Store.open(path) as store:
        await store.commit(samples(20))
        to = shipped(over_tls(running, authority, tmp_path))
        await ship_all(store, path, to)
        assert_equal(path, running)
        assert to.conn.execute("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()").fetchone() == (True,)
        to.close()
    reader = ArchiveReader(over_tls(running, authority, tmp_path, user=PAGE))
    assert [each.name for each in reader.hosts()] == ["gannet"]
    reader.close()


def test_a_certificate_that_does_not_fit_is_refused(running: Server, authority: trustme.CA, tmp_path: Path) -> None:
    """Of another authority, of another name, and one that has expired: each error says what is wrong."""
    use(running, authority.issue_cert(NAME))
    unknown = "certificate verify failed; it has expired, or sslrootcert in the address is not the file of its"
    assert unknown in refusal(over_tls(running, trustme.CA(), tmp_path))
    said = refusal(over_tls(running, authority, tmp_path, name="quay.example.org"))
    assert 'does not match host name "quay.example.org"' in said
    use(running, authority.issue_cert(NAME, not_after=datetime.now(UTC) - timedelta(days=1)))
    assert unknown in refusal(over_tls(running, authority, tmp_path))


def test_nothing_is_sent_without_a_check(running: Server, authority: trustme.CA, tmp_path: Path) -> None:
    """Whatever weaker mode is written into the address, and if the server has no TLS."""
    checked = over_tls(running, authority, tmp_path)
    for mode in ("disable", "allow", "prefer", "require", "verify-ca"):
        said = refusal(psycopg.conninfo.make_conninfo(checked, sslmode=mode))
        assert f"without a check of its certificate (sslmode={mode}): add sslmode=verify-full" in said
    running.query("ALTER SYSTEM SET ssl = off", database="postgres")
    running.query("SELECT pg_reload_conf()", database="postgres")
    until("the server without TLS", lambda: _presented(running) == "")
    assert "server does not support SSL" in refusal(checked)
