"""TLS on any port, against real servers of SMTP, IMAP, LDAP and MQTT on loopback."""

import asyncio
import os
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme
from pydantic import ValidationError

from tests.probes.hands import SetClock
from tests.probes.tlsservers import Pem, dovecot, issue, mosquitto, slapd, smtp
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Condition, Deadline, Observed, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services import served_certificate, start_tls
from watchkeeper.probes.services.certificate_files import CertificateFile, read_file
from watchkeeper.probes.services.tcp import TcpProbe, TcpSettings

SOON = datetime.now(UTC).replace(microsecond=0) + timedelta(days=5)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    """An authority of our own."""
    return trustme.CA()


@pytest.fixture
def pem(tmp_path: Path, authority: trustme.CA) -> Pem:
    """A certificate of localhost that ends in five days."""
    return issue(tmp_path, authority, SOON)


def settings(port: int, pem: Pem, **more: object) -> TcpSettings:
    """A probe of that port."""
    return TcpSettings.model_validate(
        {"name": "tide-log", "host": "127.0.0.1", "server_name": "localhost", "port": port, "ca_file": pem.authority}
        | more
    )


def answer(seen: Sequence[Observed]) -> Answer:
    """The answer, which comes first."""
    assert isinstance(seen[0], Answer)
    return seen[0]


def expires_soon(seen: Sequence[Observed]) -> None:
    """It answered, and its certificate ends in five days."""
    assert (answer(seen).answered, answer(seen).reason) == (True, "")
    assert [phase for phase, _ in answer(seen).phases][:3] == ["name", "connect", "tls"]
    (found,) = [each for each in seen if isinstance(each, Deadline)]
    assert (str(found.key), found.due_at) == ("service tide-log: certificate", SOON)
    assert dict(found.facts)["for"] == "localhost"


async def test_mail(bench: ProbeContext, pem: Pem) -> None:
    """SMTP: TLS after STARTTLS."""
    async with smtp(pem) as port:
        expires_soon(await TcpProbe(settings(port, pem, tls="smtp"), bench).observe())


async def test_mailboxes(bench: ProbeContext, pem: Pem, tmp_path: Path) -> None:
    """IMAP: TLS after STARTTLS."""
    with dovecot(pem, tmp_path) as port:
        expires_soon(await TcpProbe(settings(port, pem, tls="imap"), bench).observe())


async def test_a_directory(bench: ProbeContext, pem: Pem, tmp_path: Path) -> None:
    """LDAP: TLS after an extended request."""
    with slapd(pem, tmp_path) as port:
        expires_soon(await TcpProbe(settings(port, pem, tls="ldap"), bench).observe())


async def test_renewed_on_disk_and_not_served(
    bench: ProbeContext, pem: Pem, authority: trustme.CA, tmp_path: Path
) -> None:
    """MQTT over TLS: the file is renewed, the server goes on with the old certificate until it is started again."""
    now = SetClock(datetime.now(UTC))
    later = replace(bench, clock=now)
    with mosquitto(pem, tmp_path) as port:
        probe = TcpProbe(settings(port, pem, tls="direct", certificate_file=pem.certificate), later)
        expires_soon(seen := await probe.observe())
        assert condition(seen).ok
        issue(tmp_path, authority, SOON + timedelta(days=85))
        assert condition(await probe.observe()).ok
        now.advance(2 * 3600)
        found = condition(seen := await probe.observe())
        assert found.reason == f"{pem.certificate} has a newer certificate; reload the service"
        assert str(found.key) == "service tide-log: served certificate"
        pem.certificate.unlink()
        (unseen,) = [each for each in await probe.observe() if isinstance(each, Unseen)]
        assert unseen.why == f"{pem.certificate} cannot be read: No such file or directory"
        issue(tmp_path, authority, SOON - timedelta(days=4))
        assert condition(await probe.observe()).ok


async def test_a_certificate_file_is_read_again_only_if_it_changed(
    bench: ProbeContext, pem: Pem, authority: trustme.CA, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each change is seen: of the content, of the inode with an old time, and the rights."""
    reads: list[Path] = []

    def counted(path: Path) -> CertificateFile:
        reads.append(path)
        return read_file(path)

    monkeypatch.setattr(served_certificate, "read_file", counted)
    async with smtp(pem) as port:
        probe = TcpProbe(settings(port, pem, tls="smtp", certificate_file=pem.certificate), bench)
        for _ in range(3):
            assert condition(await probe.observe()).ok
        assert len(reads) == 1
        (tmp_path / "renewed").mkdir()
        times = pem.certificate.stat()
        renewed = issue(tmp_path / "renewed", authority, SOON + timedelta(days=85)).certificate
        os.utime(renewed, ns=(times.st_atime_ns, times.st_mtime_ns))
        renewed.replace(pem.certificate)
        facts = dict(condition(await probe.observe()).facts)
        assert facts["in the file"] != facts["served"]
        pem.certificate.chmod(0o640)
        await probe.observe()
        assert len(reads) == 3


def condition(seen: Sequence[Observed]) -> Condition:
    """The only condition."""
    (found,) = [each for each in seen if isinstance(each, Condition)]
    return found


async def test_a_certificate_that_has_expired(bench: ProbeContext, tmp_path: Path, authority: trustme.CA) -> None:
    """It does not count as an answer, and its end is shown all the same."""
    pem = issue(tmp_path, authority, SOON - timedelta(days=7))
    async with smtp(pem) as port:
        seen = await TcpProbe(settings(port, pem, tls="smtp"), bench).observe()
    assert answer(seen).reason == "certificate expired 2 days ago"
    (found,) = [each for each in seen if isinstance(each, Deadline)]
    assert found.due_at == SOON - timedelta(days=7)


async def test_another_name_and_another_authority(bench: ProbeContext, pem: Pem) -> None:
    """As for HTTPS; without `verify` only the dates count."""
    async with smtp(pem) as port:
        for more, expected in (
            ({"server_name": "hide-hub.test"}, "certificate does not match the name hide-hub.test"),
            ({"ca_file": None}, "certificate was issued by an unknown authority"),
            ({"ca_file": None, "server_name": "hide-hub.test", "verify": False}, ""),
        ):
            seen = await TcpProbe(settings(port, pem, tls="smtp", **more), bench).observe()
            assert answer(seen).reason.startswith(expected)
            assert answer(seen).answered is (not expected)


@asynccontextmanager
async def saying(*lines: bytes, close: bool = True) -> AsyncIterator[int]:
    """A server that says these parts, one after each line or part that it receives."""
    done, served = asyncio.Event(), list[asyncio.Event]()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        served.append(ended := asyncio.Event())
        for each in lines:
            writer.write(each)
            await reader.read(4096)
        if not close:
            await done.wait()
        writer.transport.abort()
        ended.set()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as started:
        yield started.sockets[0].getsockname()[1]
        done.set()
        async with asyncio.timeout(30):
            for each in served:
                await each.wait()
        await asyncio.sleep(0)


@pytest.mark.parametrize(
    ("protocol", "lines", "expected"),
    [
        ("smtp", [b"554 go away\r\n"], 'it refuses to begin TLS: "554 go away"'),
        ("smtp", [b"220 a\r\n", b"250-a\r\n250 b\r\n", b"502 no TLS\r\n"], 'it refuses to begin TLS: "502 no TLS"'),
        ("smtp", [b"220-a\r\n" * 101], "its answer has too many lines"),
        ("smtp", [b"220 " + b"a" * 70_000], "its answer has a line without end"),
        ("imap", [b"* BYE\r\n"], 'it refuses to begin TLS: "* BYE"'),
        ("imap", [b"* OK\r\n", b"a1 BAD what\r\n"], 'it refuses to begin TLS: "a1 BAD what"'),
        ("imap", [b"* OK\r\n", b"* OK\r\n" * 101], "its answer has too many lines"),
        ("pop3", [b"+OK\r\n", b"-ERR no\r\n"], 'it refuses to begin TLS: "-ERR no"'),
        ("ldap", [b"HTTP/1.1 400 Bad\r\n"], "it does not answer in LDAP"),
        (
            "ldap",
            [b"\x30\x84\x00\x00\x00\x0c\x02\x01\x01\x78\x07\x0a\x01\x02\x04\x00\x04\x00"],
            "it refuses to begin TLS",
        ),
        ("ldap", [b"\x30\x0c\x02\x01\x01\x61\x07\x0a\x01\x00\x04\x00\x04\x00"], "it refuses to begin TLS"),
        ("ldap", [b"\x30\x0c\x02"], "it closed the connection before TLS"),
        ("smtp", [], "it closed the connection before TLS"),
    ],
)
async def test_a_server_that_does_not_begin(
    bench: ProbeContext, protocol: str, lines: list[bytes], expected: str
) -> None:
    """Every answer that is not the one of its standard is refused, however long it is."""
    async with saying(*lines) as port:
        plain = TcpSettings.model_validate({"name": "a", "host": "127.0.0.1", "port": port, "tls": protocol})
        assert answer(await TcpProbe(plain, bench).observe()).reason == expected


async def test_pop3_begins(bench: ProbeContext) -> None:
    """After +OK twice the handshake comes; here nobody answers that."""
    async with saying(b"+OK hello\r\n", b"+OK begin\r\n") as port:
        plain = TcpSettings.model_validate({"name": "a", "host": "127.0.0.1", "port": port, "tls": "pop3"})
        seen = answer(await TcpProbe(plain, bench).observe())
    assert not seen.answered
    assert start_tls.LINES_LIMIT


async def test_a_plain_server(bench: ProbeContext) -> None:
    """What answers is no TLS."""
    async with saying(b"220 tide-log ESMTP\r\n" * 10) as port:
        plain = TcpSettings.model_validate({"name": "a", "host": "127.0.0.1", "port": port, "tls": "direct"})
        assert answer(await TcpProbe(plain, bench).observe()).reason.startswith("no TLS connection: ")


async def test_a_server_that_is_mute(bench: ProbeContext) -> None:
    """The time is up during the handshake."""
    async with saying(close=False) as port:
        plain = TcpSettings.model_validate(
            {"name": "a", "host": "127.0.0.1", "port": port, "tls": "direct", "timeout": "1s"}
        )
        seen = answer(await TcpProbe(plain, bench).observe())
    assert seen.reason == "no answer within 1s (beginning TLS)"


async def test_a_ca_file_that_is_none(bench: ProbeContext, tmp_path: Path) -> None:
    """A fault on this side, and none of the service."""
    (tmp_path / "ca.pem").write_text("nothing")
    plain = TcpSettings.model_validate(
        {"name": "a", "host": "127.0.0.1", "port": 9, "tls": "direct", "ca_file": tmp_path / "ca.pem"}
    )
    with pytest.raises(ProbeError, match="of service a cannot be used"):
        await TcpProbe(plain, bench).observe()


@pytest.mark.parametrize(
    ("more", "expected"),
    [({"verify": False}, "need tls"), ({"tls": "smtp", "greeting": "^220"}, "remove the key greeting")],
)
def test_keys_that_do_not_fit(more: dict[str, object], expected: str) -> None:
    """The message says what to change."""
    with pytest.raises(ValidationError, match=expected):
        TcpSettings.model_validate({"name": "a", "host": "a", "port": 1, **more})
