"""The HTTP probe over TLS: phases, own authorities, certificates that are not accepted, and their end as a deadline."""

import asyncio
import gc
import socket
import ssl
import warnings
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme
from aiohttp import web
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from tests.probes.services.http.test_http import look, tell
from tests.probes.webservers import raw, repeating, saying, serving
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Deadline, SeriesKey
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services import tls
from watchkeeper.probes.services.http.checks import HttpSettings
from watchkeeper.probes.services.http.http import HttpProbe

NOW = datetime.now(UTC)


class Authority:
    """An authority of our own, and the file that holds its certificate."""

    def __init__(self, folder: Path) -> None:
        self.ca = trustme.CA(organization_name="Skerry Authority")
        self.file = folder / "authority.pem"
        self.ca.cert_pem.write_to_path(str(self.file))

    def context(self, *names: str, **times: Any) -> ssl.SSLContext:
        """A server's context with a certificate for these names."""
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        self.ca.issue_cert(*names, **times).configure_cert(context)
        return context


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    """An authority that the probe is told of as `ca_file`."""
    return Authority(tmp_path)


async def both(bench: ProbeContext, url: str, **settings: Any) -> tuple[Answer, Deadline]:
    """The answer and the deadline of the certificate."""
    one, other = await look(bench, url, **settings)
    assert isinstance(one, Answer)
    assert isinstance(other, Deadline)
    assert other.key == SeriesKey("service hide-hub", "certificate")
    assert other.period_s is None
    return one, other


async def test_an_answer_over_tls(bench: ProbeContext, authority: Authority) -> None:
    """TLS is a phase of its own, and the certificate's two dates are the deadline's."""
    end = (NOW + timedelta(days=40)).replace(microsecond=0)
    async with serving(tell, tls=authority.context("localhost", not_after=end)) as url:
        answer, certificate = await both(bench, f"{url}/page", ca_file=authority.file, body_text="doors")
    assert answer.answered
    assert [name for name, _ in answer.phases] == ["name lookup", "connect", "TLS", "first byte", "body"]
    assert all(took_s > 0 for _, took_s in answer.phases)
    assert certificate.due_at == end
    assert certificate.last_at == datetime(2000, 1, 1, tzinfo=UTC)  # trustme's own beginning
    assert dict(certificate.facts)["for"] == "localhost"
    assert dict(certificate.facts)["issued by"] == "Skerry Authority"


async def test_the_time_of_the_handshake_is_its_own(bench: ProbeContext, authority: Authority) -> None:
    """A server that lingers in the handshake shows in the phase TLS, and not in connect."""
    context, delay_s = authority.context("localhost"), 0.3

    @asynccontextmanager
    async def late() -> AsyncIterator[str]:
        """Pass bytes on to a real server, the first ones late."""
        async with serving(tell, tls=context) as behind:

            async def relay(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
                await asyncio.sleep(delay_s)
                far_reader, far_writer = await asyncio.open_connection("127.0.0.1", int(behind.rsplit(":", 1)[1]))
                await asyncio.gather(pump(reader, far_writer), pump(far_reader, writer))

            server = await asyncio.start_server(relay, "127.0.0.1", 0)
            yield f"https://localhost:{server.sockets[0].getsockname()[1]}"
            server.close()
            await server.wait_closed()

    async with late() as url:
        answer, _ = await both(bench, f"{url}/page", ca_file=authority.file)
    phases = dict(answer.phases)
    assert answer.answered
    assert phases["connect"] < delay_s <= phases["TLS"]


async def pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Pass on what comes until it ends."""
    try:
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
    except ConnectionError:
        pass
    finally:
        writer.close()


async def test_an_expired_certificate(bench: ProbeContext, authority: Authority) -> None:
    """A certificate that ran out is no answer; its end is known all the same, from a second handshake."""
    end = (NOW - timedelta(days=3, hours=1)).replace(microsecond=0)
    async with serving(tell, tls=authority.context("localhost", not_after=end)) as url:
        answer, certificate = await both(bench, url, ca_file=authority.file)
    assert answer.reason == "certificate expired 3 days ago"
    assert answer.took_s is None
    assert certificate.due_at == end


async def test_a_certificate_that_is_not_valid_yet(bench: ProbeContext, authority: Authority) -> None:
    """A certificate from the future is told with the time that is left until it begins."""
    begin, end = NOW + timedelta(days=1, hours=1), NOW + timedelta(days=9)
    async with serving(tell, tls=authority.context("localhost", not_before=begin, not_after=end)) as url:
        answer, _ = await both(bench, url, ca_file=authority.file)
    assert answer.reason == "certificate is not valid for another 1 day"


async def test_a_certificate_for_another_name(bench: ProbeContext, authority: Authority) -> None:
    """A certificate for other names is told together with those, by name and by address."""
    async with serving(tell, tls=authority.context("ringing-db.test", "10.0.0.7")) as url:
        answer, certificate = await both(bench, url, ca_file=authority.file)
        by_address, _ = await both(bench, url.replace("localhost", "127.0.0.1"), ca_file=authority.file)
    assert answer.reason == "certificate does not match the name localhost (it is for ringing-db.test, 10.0.0.7)"
    assert by_address.reason.startswith("certificate does not match the name 127.0.0.1 (it is for ")
    assert dict(certificate.facts)["for"] == "ringing-db.test, 10.0.0.7"


async def test_a_certificate_of_an_unknown_authority(bench: ProbeContext, authority: Authority) -> None:
    """Without its authority a certificate is not accepted; the reason names the setting that repairs it."""
    async with serving(tell, tls=authority.context("localhost")) as url:
        answer, _ = await both(bench, url)
    assert answer.reason == "certificate was issued by an unknown authority; set the authority's certificate as ca_file"


async def test_nothing_is_sent_to_a_server_that_is_not_who_it_says(
    bench: ProbeContext, authority: Authority, tmp_path: Path
) -> None:
    """The second handshake reads the certificate and sends no request, so no secret reaches the wrong server."""
    (tmp_path / "key").write_text("tern-42")
    asked = []

    async def note(request: web.Request) -> web.Response:
        asked.append(request.path)
        return web.Response()

    async with serving(note, tls=authority.context("ringing-db.test")) as url:
        headers = {"X-Api-Key": {"file": str(tmp_path / "key")}}
        answer, _ = await both(bench, url, ca_file=authority.file, headers=headers)
    assert not answer.answered
    assert asked == []


async def test_without_verification_the_end_is_still_known(bench: ProbeContext, authority: Authority) -> None:
    """With `verify = false` any certificate is accepted, and its end is a deadline all the same."""
    end = (NOW - timedelta(days=3)).replace(microsecond=0)
    async with serving(tell, tls=authority.context("ringing-db.test", not_after=end)) as url:
        answer, certificate = await both(bench, url, verify=False)
    assert answer.answered
    assert certificate.due_at == end


async def test_a_service_that_went_silent_keeps_its_certificate(bench: ProbeContext, authority: Authority) -> None:
    """While there is no answer, the end of the certificate that was seen last is still told, and marked so."""
    async with serving(tell, tls=authority.context("localhost")) as url:
        probe = HttpProbe(HttpSettings(name="hide-hub", url=url, ca_file=authority.file), bench)
        before = await probe.observe()
    after = await probe.observe()
    await probe.close()
    assert isinstance(after[0], Answer)
    assert after[0].reason == "connection refused"
    assert isinstance(before[1], Deadline)
    assert isinstance(after[1], Deadline)
    assert after[1].due_at == before[1].due_at
    assert dict(after[1].facts)["seen"] == "not this time; this is the last one"


async def test_a_server_without_tls(bench: ProbeContext) -> None:
    """Where plain HTTP answers on an https address, that is told, and there is no certificate."""
    async with raw(saying(b"HTTP/1.1 400 Bad Request\r\n\r\n")) as url:
        (answer,) = await look(bench, url.replace("http:", "https:"), timeout=2.0)
    assert isinstance(answer, Answer)
    assert not answer.answered
    assert answer.reason in ("TLS failed: wrong version number", "no answer within 2s (in the TLS handshake)")


async def test_a_server_that_speaks_plainly_at_once(bench: ProbeContext) -> None:
    """A server that greets in plain text on an https address has no TLS."""

    async def greet(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 mail.example.org ESMTP\r\n")
        await writer.drain()
        writer.close()
        await writer.wait_closed()

    server = await asyncio.start_server(greet, "127.0.0.1", 0)
    (answer,) = await look(bench, f"https://127.0.0.1:{server.sockets[0].getsockname()[1]}/", timeout=2.0)
    server.close()
    await server.wait_closed()
    assert isinstance(answer, Answer)
    assert answer.reason in ("TLS failed: wrong version number", "TLS failed: record layer failure", "connection reset")


async def test_a_handshake_that_hangs(bench: ProbeContext) -> None:
    """A server that accepts and says nothing hangs in the handshake, and that is what is told."""
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen(8)
        (answer,) = await look(bench, f"https://127.0.0.1:{mute.getsockname()[1]}/", timeout=1.0)
    assert isinstance(answer, Answer)
    assert answer.reason == "no answer within 1s (in the TLS handshake)"


async def test_an_endless_answer_over_tls_leaves_nothing(bench: ProbeContext, authority: Authority) -> None:
    """A body that is cut off leaves no open transport behind, which would be a warning when it is collected."""
    endless = repeating(b"HTTP/1.1 200 OK\r\n\r\n", b"a" * 65536)
    async with raw(endless, tls=authority.context("127.0.0.1")) as url:
        answer, _ = await both(bench, url, ca_file=authority.file, max_body="64 KiB")
        assert answer.answered
        await asyncio.sleep(0)
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always", ResourceWarning)
            gc.collect()
    assert [str(each.message) for each in caught if each.category is ResourceWarning] == []


async def test_a_redirect_from_http_to_https(bench: ProbeContext, authority: Authority) -> None:
    """The usual step from http to https on one host is followed, and the certificate is that of the second."""
    async with serving(tell, tls=authority.context("localhost")) as secure, serving(tell) as plain:
        answer, certificate = await both(bench, f"{plain}/moved?to={secure}/page", ca_file=authority.file)
    assert answer.answered
    assert certificate.due_at is not None
    assert [name for name, _ in answer.phases] == ["name lookup", "connect", "first byte", "TLS", "body"]


async def test_a_certificate_that_cannot_be_read_again(
    bench: ProbeContext, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the second handshake fails, the reason stands without the dates, and there is no deadline."""

    async def fail(*_: object) -> None:
        raise ConnectionResetError(104, "Connection reset by peer")

    monkeypatch.setattr(tls, "unverified_certificate", fail)
    end = NOW - timedelta(days=3)
    async with serving(tell, tls=authority.context("localhost", not_after=end)) as url:
        (answer,) = await look(bench, url, ca_file=authority.file)
    assert isinstance(answer, Answer)
    assert answer.reason == "certificate expired"


@pytest.mark.parametrize("content", ["", "no certificate at all"])
async def test_a_ca_file_that_cannot_be_used(bench: ProbeContext, tmp_path: Path, content: str) -> None:
    """A CA file without a certificate is an error of the probe that names the file."""
    file = tmp_path / "ca.pem"
    file.write_text(content)
    with pytest.raises(ProbeError, match=f"ca_file {file} of service hide-hub cannot be used: "):
        await look(bench, "https://127.0.0.1:9/", ca_file=file)


async def test_a_ca_file_that_went_away(bench: ProbeContext, authority: Authority) -> None:
    """A CA file that is not there any more is told by its name."""
    probe = HttpProbe(HttpSettings(name="hide-hub", url="https://127.0.0.1:9/", ca_file=authority.file), bench)
    authority.file.unlink()
    with pytest.raises(ProbeError, match="cannot be used: No such file or directory"):
        await probe.observe()
    await probe.close()


def test_contexts_are_shared_and_renewed(authority: Authority) -> None:
    """Two probes with the same authority share a context; a file that was written again makes a new one."""
    first = tls.context_for(authority.file)
    assert tls.context_for(authority.file) is first
    assert tls.context_for() is tls.context_for()
    authority.file.write_bytes(trustme.CA().cert_pem.bytes())
    assert tls.context_for(authority.file) is not first
    assert first.verify_mode is ssl.CERT_REQUIRED
    assert first.check_hostname


def test_a_certificate_without_names_or_issuer() -> None:
    """A bare certificate, as old devices make them for themselves, is read: its dates are what matters."""
    key = ec.generate_private_key(ec.SECP256R1())
    begin, end = datetime(2020, 1, 1, tzinfo=UTC), datetime(2021, 1, 1, tzinfo=UTC)
    bare = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([]))
        .issuer_name(x509.Name([]))
        .not_valid_before(begin)
        .not_valid_after(end)
        .serial_number(1)
        .public_key(key.public_key())
        .sign(key, hashes.SHA256())
    )
    found = tls.read_certificate(bare.public_bytes(serialization.Encoding.DER))
    assert found == tls.Certificate(begin, end, (), "", bare.fingerprint(hashes.SHA256()).hex())


def test_what_is_no_certificate() -> None:
    """Bytes that are no certificate are None, not an error."""
    assert tls.read_certificate(b"\x30\x03nonsense") is None


@pytest.mark.parametrize(
    ("code", "shown", "reason"),
    [
        (10, None, "certificate expired"),
        (9, None, "certificate is not valid yet"),
        (62, None, "certificate does not match the name hide-hub.test"),
        (23, None, "certificate was not accepted: certificate revoked"),
        (10, tls.Certificate(NOW, NOW - timedelta(hours=5)), "certificate expired 5h ago"),
        (10, tls.Certificate(NOW, NOW - timedelta(days=1)), "certificate expired 1 day ago"),
    ],
)
def test_why_a_certificate_is_refused(code: int, shown: tls.Certificate | None, reason: str) -> None:
    """Every cause has its own words, with the dates where they are known (codes: OpenSSL's x509_vfy.h)."""
    error = ssl.SSLCertVerificationError()
    error.verify_code, error.verify_message = code, "certificate revoked"
    assert tls.why_refused(error, shown, "hide-hub.test", NOW) == reason


def test_no_certificate_before_the_handshake() -> None:
    """Before a handshake has begun, or has ended, there is no certificate."""
    from watchkeeper.clock import Clock

    handshake = tls.Handshake(Clock())
    assert handshake.certificate() is None
    handshake.object = tls.context_for().wrap_bio(ssl.MemoryBIO(), ssl.MemoryBIO(), server_hostname="hide-hub.test")
    assert handshake.certificate() is None
