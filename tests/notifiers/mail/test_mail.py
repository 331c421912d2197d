"""The mail notifier against real SMTP servers on loopback."""

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from datetime import UTC
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from pydantic import ValidationError

from tests.support.messages import messages
from tests.support.outbox import SetClock
from tests.support.receivers import free_port
from watchkeeper.errors import DeliveryDeferred, DeliveryError, DeliveryRefused
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.message import Message
from watchkeeper.notifiers.mail.mail import Mail, MailSettings
from watchkeeper.notifiers.registry import make_notifier

TABLE: dict[str, Any] = {
    "kind": "mail",
    "server": "127.0.0.1",
    "security": "none",
    "from": "gannet@example.org",
    "to": ["keeper@example.org"],
    "timeout": 5,
}
PASSWORD = "hide-and-seek"


@dataclass(slots=True)
class Box:
    """A mailbox behind a real SMTP server, and the server's replies.

    mail, data: replies for every mail. rcpt: replies by address, one per try; then 250.
    """

    mail: str = "250 OK"
    data: str = "250 kept"
    rcpt: dict[str, list[str]] = field(default_factory=dict)
    mails: list[EmailMessage] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    to: list[list[str]] = field(default_factory=list)
    sender: str = ""
    logins: list[str] = field(default_factory=list)
    hello: str = ""
    port: int = 0
    encrypted: bool = False

    async def handle_EHLO(  # noqa: N802  the server's naming convention
        self, _server: SMTP, session: Session, _envelope: Envelope, hostname: str, responses: list[str]
    ) -> list[str]:
        session.host_name = self.hello = hostname
        return responses

    async def handle_MAIL(  # noqa: N802
        self, _server: SMTP, session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        if self.mail.startswith("250"):
            envelope.mail_from = self.sender = address
            self.encrypted = session.ssl is not None
        return self.mail

    async def handle_RCPT(  # noqa: N802
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        said = self.rcpt[address].pop(0) if self.rcpt.get(address) else "250 OK"
        if said.startswith("250"):
            envelope.rcpt_tos.append(address)
        return said

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        assert isinstance(envelope.original_content, bytes)
        if self.data.startswith("250"):
            self.raw.append(envelope.original_content)
            self.mails.append(BytesParser(policy=default).parsebytes(envelope.original_content))
            self.to.append(list(envelope.rcpt_tos))
        return self.data

    def authenticate(
        self, _s: object, _session: object, _e: object, _mechanism: str, data: LoginPassword
    ) -> AuthResult:
        """Accepts one user."""
        self.logins.append(data.login.decode())
        good = data.login == b"gannet" and data.password == PASSWORD.encode()
        return AuthResult(success=good, handled=False)


@contextlib.contextmanager
def server(box: Box, **options: Any) -> Iterator[Box]:
    """A real SMTP server for a mailbox, on a free loopback port."""
    box.port = free_port()  # with port 0 the controller cannot report the chosen port
    controller = Controller(box, hostname="127.0.0.1", port=box.port, authenticator=box.authenticate, **options)
    controller.start()
    try:
        yield box
    finally:
        controller.stop()


def mail(port: int, **keys: Any) -> Mail:
    """A notifier for the server at a port."""
    return Mail(MailSettings.model_validate({**TABLE, "port": port, **keys}), SetClock())


async def trouble_with(notifier: Mail, message: Message | None = None) -> DeliveryError:
    """Deliver, and return the error that it raised."""
    with pytest.raises(DeliveryError) as caught:
        await notifier.deliver(message or messages()[0])
    return caught.value


@pytest.fixture
def authority(tmp_path: Path) -> trustme.CA:
    """The operator's own authority, in a file."""
    made = trustme.CA()
    made.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    return made


def server_tls(authority: trustme.CA, name: str = "127.0.0.1") -> ssl.SSLContext:
    """A server's side of TLS."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert(name).configure_cert(context)
    return context


def password_file(folder: Path, text: str = PASSWORD) -> dict[str, str]:
    """A password in a file, as the configuration names it."""
    (folder / "password").write_text(text + "\n")
    return {"file": str(folder / "password")}


@pytest.mark.parametrize("name", ["relay.example.org", "192.168.7.2", "fe80::1", "127.0.0.1"])
async def test_a_relay_without_tls_needs_an_explicit_word(name: str) -> None:
    """With it, a name or a private address is accepted, and the mail goes there without TLS, on port 25 by default."""
    with server(Box()) as box:
        notifier = mail(box.port, security="unencrypted")
        await notifier.deliver(messages()[0])
        await notifier.close()
    assert len(box.mails) == 1
    keys = {"kind": "mail", "server": name, "security": "unencrypted", "from": "a@example.org", "to": ["b@example.org"]}
    assert MailSettings.model_validate(keys).effective_port == 25


async def test_an_episode_arrives_as_one_thread() -> None:
    """Raised, worse, eased and ended arrive in one thread, from and to the configured addresses."""
    with server(Box()) as box:
        notifier = mail(box.port, to=["keeper@example.org", "warden@example.org"])
        for message in messages():
            await notifier.deliver(message)
        await notifier.close()
    ids = [each["Message-ID"] for each in box.mails]
    assert [each["In-Reply-To"] for each in box.mails] == [None, *ids[:3]]
    assert box.mails[3]["References"] == " ".join(ids[:3])
    assert box.to == [["keeper@example.org", "warden@example.org"]] * 4
    assert box.sender == "gannet@example.org"
    assert box.hello == "[127.0.0.1]"
    assert [each["Subject"] for each in box.mails] == [each.headline for each in messages()]
    assert [each.get_content().replace("\r\n", "\n") for each in box.mails] == [each.body for each in messages()]


async def test_starttls_with_login(authority: trustme.CA, tmp_path: Path) -> None:
    """STARTTLS first, then the login, then the mail; the certificate is checked against the operator's authority."""
    with server(Box(), tls_context=server_tls(authority), require_starttls=True, auth_required=True) as box:
        notifier = mail(
            box.port,
            security="starttls",
            ca_file=str(tmp_path / "ca.pem"),
            user="gannet",
            password=password_file(tmp_path),
        )
        await notifier.deliver(messages()[0])
    assert (len(box.mails), box.logins, box.encrypted) == (1, ["gannet"], True)


async def test_implicit_tls(authority: trustme.CA, tmp_path: Path) -> None:
    """RFC 8314: TLS from the first byte."""
    with server(Box(), ssl_context=server_tls(authority)) as box:
        await mail(box.port, security="tls", ca_file=str(tmp_path / "ca.pem")).deliver(messages()[0])
    assert len(box.mails) == 1


@pytest.mark.parametrize("security", ["tls", "starttls"])
@pytest.mark.parametrize("name", ["127.0.0.1", "gannet.example.org"])
async def test_certificates_are_checked(authority: trustme.CA, tmp_path: Path, security: str, name: str) -> None:
    """A certificate from an unknown authority or for another name ends the delivery; no mail and no login was sent."""
    context = server_tls(authority, name)
    options = {"ssl_context": context} if security == "tls" else {"tls_context": context}
    known = {} if name == "127.0.0.1" else {"ca_file": str(tmp_path / "ca.pem")}
    login = {"user": "gannet", "password": password_file(tmp_path)}
    with server(Box(), **options) as box:
        trouble = await trouble_with(mail(box.port, security=security, **known, **login))
    assert isinstance(trouble, DeliveryDeferred)
    assert "its certificate was not accepted: " in str(trouble)
    assert (box.mails, box.logins) == ([], [])


async def test_server_without_starttls() -> None:
    """A server that offers no STARTTLS receives nothing: an unencrypted connection would reveal the content."""
    with server(Box()) as box:
        trouble = await trouble_with(mail(box.port, security="starttls"))
    assert isinstance(trouble, DeliveryDeferred)
    assert str(trouble).endswith('offers no STARTTLS; write security = "none", which is allowed on this host')
    assert box.mails == []


async def test_wrong_password(authority: trustme.CA, tmp_path: Path) -> None:
    """A rejected login is an error that the operator can fix; the password is not repeated."""
    with server(Box(), tls_context=server_tls(authority), auth_required=True) as box:
        keys = {"security": "starttls", "ca_file": str(tmp_path / "ca.pem"), "user": "gannet"}
        trouble = await trouble_with(mail(box.port, password=password_file(tmp_path, "seek-and-hide"), **keys))
        await mail(box.port, password=password_file(tmp_path), **keys).deliver(messages()[0])
    assert isinstance(trouble, DeliveryDeferred)
    assert str(trouble) == f"mail: 127.0.0.1:{box.port} did not accept the login (535); check user and password"
    assert len(box.mails) == 1


async def test_login_that_was_forgotten(authority: trustme.CA, tmp_path: Path) -> None:
    """RFC 4954 6: reply 530 asks for a login, so the operator has to fix it and the message waits."""
    with server(Box(), tls_context=server_tls(authority), auth_required=True) as box:
        trouble = await trouble_with(mail(box.port, security="starttls", ca_file=str(tmp_path / "ca.pem")))
    assert isinstance(trouble, DeliveryDeferred)
    assert "530" in str(trouble)


async def test_unreadable_password(tmp_path: Path) -> None:
    """A password that cannot be read is an error that the operator can fix; the file is named."""
    source = {"file": str(tmp_path / "gone")}
    with server(Box()) as box:
        trouble = await trouble_with(mail(box.port, user="gannet", password=source))
    assert isinstance(trouble, DeliveryDeferred)
    assert str(trouble) == f"mail: password cannot be read from {tmp_path / 'gone'}: No such file or directory"


async def test_server_without_login(tmp_path: Path) -> None:
    """A server without login support, where a login is configured, is an error that the operator can fix."""
    with server(Box()) as box:
        trouble = await trouble_with(mail(box.port, user="gannet", password=password_file(tmp_path)))
    assert isinstance(trouble, DeliveryDeferred)
    assert "AUTH" in str(trouble)


@pytest.mark.parametrize("stage", ["mail", "data"])
@pytest.mark.parametrize(("reply", "kind"), [("451 later, hide-hub", DeliveryDeferred), ("554 never", DeliveryRefused)])
async def test_replies_to_the_mail(stage: str, reply: str, kind: type[DeliveryError]) -> None:
    """RFC 5321 4.2.1: 4yz may pass, 5yz will not; the error includes the reply's text."""
    with server(Box(mail=reply) if stage == "mail" else Box(data=reply)) as box:
        trouble = await trouble_with(mail(box.port))
    assert type(trouble) is kind
    assert str(trouble) == f"mail: 127.0.0.1:{box.port} answered {reply}"


async def test_greylisting() -> None:
    """A recipient that is deferred at first is tried again, and the mail arrives once, with the id of the first try."""
    with server(Box(rcpt={"keeper@example.org": ["450 come back later"]})) as box:
        notifier = mail(box.port)
        trouble = await trouble_with(notifier)
        await notifier.deliver(messages()[0])
    assert isinstance(trouble, DeliveryDeferred)
    assert str(trouble) == "mail: keeper@example.org was deferred: 450 come back later"
    assert len(box.mails) == 1


async def test_everyone_refused() -> None:
    """Recipients that are permanently unknown are refused, each with the server's text."""
    with server(Box(rcpt={"keeper@example.org": ["550 no such box"]})) as box:
        trouble = await trouble_with(mail(box.port))
    assert isinstance(trouble, DeliveryRefused)
    assert str(trouble) == "mail: keeper@example.org was refused: 550 no such box"


async def test_some_recipients() -> None:
    """Accepted recipients get it once; deferred ones get it later; refused ones are reported at the end."""
    replies = {"late@example.org": ["451 later"], "never@example.org": ["550 no such box"]}
    everyone = ["keeper@example.org", "late@example.org", "never@example.org"]
    with server(Box(rcpt=replies)) as box:
        notifier = mail(box.port, to=everyone)
        first = await trouble_with(notifier)
        last = await trouble_with(notifier)
    assert isinstance(first, DeliveryDeferred)
    assert str(first) == "mail: late@example.org was deferred: 451 later"
    assert isinstance(last, DeliveryRefused)
    assert str(last) == (
        "mail: never@example.org was refused: 550 no such box; accepted for keeper@example.org, late@example.org"
    )
    assert box.to == [["keeper@example.org"], ["late@example.org"]]
    assert box.raw[0] == box.raw[1]


async def test_what_is_remembered_is_bounded(monkeypatch: pytest.MonkeyPatch, unused_port: int) -> None:
    """Deliveries that never end do not fill the memory."""
    monkeypatch.setattr("watchkeeper.notifiers.mail.mail._REMEMBERED", 2)
    notifier = mail(unused_port)
    for message in messages():
        await trouble_with(notifier, message)
    assert len(notifier._progress) == 2


async def test_nobody_there(unused_port: int) -> None:
    """A server that is down is an error that may pass."""
    trouble = await trouble_with(mail(unused_port))
    assert isinstance(trouble, DeliveryDeferred)
    assert str(trouble) == f"mail: cannot connect to 127.0.0.1:{unused_port} (connection refused)"


@contextlib.asynccontextmanager
async def scripted(*replies: bytes | None, pause_s: float = 0) -> AsyncIterator[int]:
    """A server that sends one reply for each line it reads, byte by byte if asked to; None closes the connection."""
    serving: set[asyncio.Task[None] | None] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        serving.add(asyncio.current_task())
        with contextlib.suppress(ConnectionError, asyncio.IncompleteReadError, asyncio.CancelledError):
            for reply in replies:
                if reply is None:
                    break
                await say(writer, reply)
                await reader.readuntil(b"\r\n.\r\n" if reply.startswith(b"354") else b"\n")
        writer.transport.abort()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()

    async def say(writer: asyncio.StreamWriter, reply: bytes) -> None:
        for piece in [reply[i : i + 1] for i in range(len(reply))] if pause_s else [reply]:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(pause_s)

    listening = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with listening:
        yield listening.sockets[0].getsockname()[1]
    for task in serving:
        if task is not None:
            task.cancel()
            await asyncio.wait([task])


HELLO, EHLO, OK, GO = b"220 gannet\r\n", b"250 gannet\r\n", b"250 OK\r\n", b"354 go on\r\n"


async def test_server_that_drops_after_data() -> None:
    """A server that disconnects after the mail may have accepted it: it is tried again, with the same id."""
    async with scripted(HELLO, EHLO, OK, OK, GO, None) as port:
        trouble = await trouble_with(mail(port))
    assert isinstance(trouble, DeliveryDeferred)
    assert str(trouble).startswith(f"mail: lost the connection to 127.0.0.1:{port} (")


async def test_server_that_drops_after_taking_it() -> None:
    """A server that accepts the mail and then disconnects without a reply to QUIT has it: no second one is sent."""
    async with scripted(HELLO, EHLO, OK, OK, GO, OK, None) as port:
        await mail(port).deliver(messages()[0])


@pytest.mark.parametrize(
    "replies",
    [
        (b"554 not today\r\n",),
        (HELLO, b"500 what\r\n", b"502 what\r\n"),
        (HELLO, EHLO, b"421 closing\r\n"),
        (None,),
        (b"HTTP/1.1 400\r\n",),
    ],
)
async def test_server_in_trouble(replies: tuple[bytes | None, ...]) -> None:
    """A server that rejects the connection itself is an error that may pass, whatever code it sends."""
    async with scripted(*replies) as port:
        trouble = await trouble_with(mail(port))
    assert isinstance(trouble, DeliveryDeferred)


async def test_slow_server() -> None:
    """A server that is slow with each byte still gets its mail, within its time."""
    async with scripted(HELLO, EHLO, OK, OK, GO, OK, b"221 bye\r\n", pause_s=0.01) as port:
        await mail(port).deliver(messages()[0])


async def test_silent_server() -> None:
    """A server that does not answer is given up after the timeout, before the greeting and after it."""
    for replies in ((b"",), (HELLO, b"")):
        async with scripted(*replies) as port:
            trouble = await trouble_with(mail(port, timeout=0.2))
        assert isinstance(trouble, DeliveryDeferred)
        assert str(trouble) == f"mail: 127.0.0.1:{port} did not answer in time"


async def test_server_that_never_comes_to_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """A server whose every reply is just in time is still given up."""
    monkeypatch.setattr("watchkeeper.notifiers.mail.mail._STEPS", 1)
    async with scripted(HELLO, EHLO, OK, OK, pause_s=0.02) as port:
        trouble = await trouble_with(mail(port, timeout=0.3))
    assert str(trouble) == f"mail: 127.0.0.1:{port} did not answer in time"


async def test_hostile_reply() -> None:
    """A reply with control characters is reported on one harmless line."""
    async with scripted(HELLO, EHLO, b"550 no\x1b[31m\x00 never\r\n") as port:
        trouble = await trouble_with(mail(port))
    assert str(trouble).isprintable()


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"server": "mail.example.org"}, 'security "none" is only for localhost'),
        ({"server": "mail.example.org"}, '"unencrypted" for a relay in your own network'),
        ({"server": "8.8.8.8", "security": "unencrypted"}, "is for your own network, and 8.8.8.8 is outside it"),
        (
            {"security": "unencrypted", "user": "gannet", "password": {"file": "/etc/hostname"}},
            'security "unencrypted" sends no password',
        ),
        ({"user": "gannet"}, "user and password belong together"),
        ({"from": "gannet@example.org\r\nBcc: all@example.org"}, "is not a mail address"),
        ({"from": "gannet"}, "is not a mail address"),
        ({"from": "gannet@"}, "is not a mail address"),
        ({"from": "Gannet <gannet@example.org>"}, "is not a mail address"),
        ({"to": ["keeper@example.org", "töl@example.org"]}, "is not a mail address"),
        ({"to": []}, "at least 1 item"),
        ({"server": "mail.example.org/x"}, "is not a host name"),
        ({"server": ""}, "is not a host name"),
        ({"port": 0}, "greater than or equal to 1"),
        ({"security": "maybe"}, "'starttls', 'tls', 'none' or 'unencrypted'"),
    ],
)
def test_settings_that_cannot_be(keys: dict[str, Any], said: str) -> None:
    """Settings that cannot work are errors when the configuration is read."""
    with pytest.raises(ValidationError, match=said):
        MailSettings.model_validate({**TABLE, **keys})


@pytest.mark.parametrize(("security", "port"), [("starttls", 587), ("tls", 465), ("none", 25)])
def test_usual_ports(security: str, port: int) -> None:
    """RFC 6409 and RFC 8314: 587 with STARTTLS, 465 with TLS from the start."""
    found = MailSettings.model_validate({**TABLE, "security": security, "server": "localhost"})
    assert found.effective_port == port


def test_settings_make_their_notifier() -> None:
    """The table creates the notifier that the settings are for."""
    found = MailSettings.model_validate({**TABLE, "name": "post", "at_least": "warning"})
    notifier = make_notifier(found, SetClock())
    assert isinstance(notifier, Mail)
    assert (notifier.name, notifier.at_least) == ("post", Priority.WARNING)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"at_least": "alarm", "at_most": "warning"}, 'at_most "warning" is below at_least "alarm"'),
        ({"digest_only": True}, "digest_only needs a digest"),
        ({"concerns": ["full", "fuller"]}, "concerns"),
    ],
)
def test_a_receiver_that_would_get_nothing(more: dict[str, Any], said: str) -> None:
    """Said when the configuration is read."""
    with pytest.raises(ValidationError, match=said):
        MailSettings.model_validate({**TABLE, **more})


def test_what_a_receiver_wants_is_its_route() -> None:
    """Every key reaches the route."""
    table = {"at_least": "warning", "at_most": "warning", "subjects": ["pool *"], "concerns": ["full"]}
    route = MailSettings.model_validate({**TABLE, **table, "digest": "07:30", "digest_only": True}).route(UTC)
    assert (route.at_least, route.at_most, route.digest_only) == (Priority.WARNING, Priority.WARNING, True)
    assert (route.subjects, route.concerns) == (("pool *",), frozenset({Concern.FULL}))
