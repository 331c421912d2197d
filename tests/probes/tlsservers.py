"""Real servers that speak TLS, each a private process or task on a free port of loopback."""

import asyncio
import os
import pwd
import ssl
import subprocess
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import trustme
from aiosmtpd.smtp import SMTP

from tests.support.needs import need
from tests.support.receivers import free_port
from tests.support.waiting import until


@dataclass(frozen=True)
class Pem:
    """A certificate of localhost, its key, and the authority's certificate, as files."""

    certificate: Path
    key: Path
    authority: Path


def issue(folder: Path, authority: trustme.CA, not_after: datetime) -> Pem:
    """A certificate that is valid until then; it replaces the one that was in the folder."""
    issued = authority.issue_cert("localhost", not_after=not_after)
    pem = Pem(folder / "chain.pem", folder / "key.pem", folder / "authority.pem")
    pem.certificate.write_bytes(b"".join(each.bytes() for each in issued.cert_chain_pems))
    pem.key.write_bytes(issued.private_key_pem.bytes())
    pem.key.chmod(0o600)
    pem.authority.write_bytes(authority.cert_pem.bytes())
    return pem


@asynccontextmanager
async def smtp(pem: Pem) -> AsyncIterator[int]:
    """Aiosmtpd with STARTTLS (RFC 3207)."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(pem.certificate, pem.key)
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: SMTP(object(), tls_context=context, loop=loop), "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1]
        await asyncio.sleep(0)


@contextmanager
def process(argv: Sequence[str], port: int, log: Path) -> Iterator[int]:
    """A server in the foreground; its port, once it takes connections."""
    with log.open("wb") as out, subprocess.Popen(argv, stdout=out, stderr=out, stdin=subprocess.DEVNULL) as running:
        try:
            until(f"{argv[0]} on port {port}", lambda: _listens(port) or running.poll() is not None)
            assert running.poll() is None, log.read_text()
            yield port
        finally:
            children = Path(f"/proc/{running.pid}/task/{running.pid}/children").read_text(encoding="ascii").split()
            running.terminate()
            running.wait(30)
            for each in children:
                # They are ours to collect where this process adopts the orphans of its children: prctl(2).
                with suppress(ChildProcessError):
                    os.waitpid(int(each), 0)


def _listens(port: int) -> bool:
    """By the kernel's table, so that no connection is left half-way in the server: proc(5), state 0A."""
    lines = Path("/proc/net/tcp").read_text(encoding="ascii").split("\n")
    return any(f":{port:04X} 00000000:0000 0A" in line for line in lines)


@contextmanager
def mosquitto(pem: Pem, folder: Path) -> Iterator[int]:
    """MQTT over TLS."""
    need(Path("/usr/sbin/mosquitto").exists(), "mosquitto is not installed")
    port = free_port()
    me = pwd.getpwuid(os.getuid()).pw_name
    (folder / "mosquitto.conf").write_text(
        f"user {me}\nlistener {port} 127.0.0.1\nallow_anonymous true\ncertfile {pem.certificate}\nkeyfile {pem.key}\n"
    )
    argv = ("/usr/sbin/mosquitto", "-c", str(folder / "mosquitto.conf"))
    with process(argv, port, folder / "mosquitto.log") as there:
        yield there


@contextmanager
def dovecot(pem: Pem, folder: Path) -> Iterator[int]:
    """IMAP with STARTTLS (RFC 9051). Its folders are below `folder`; its own users are those of the package."""
    need(Path("/usr/sbin/dovecot").exists(), "dovecot-imapd is not installed")
    need(os.geteuid() == 0, "dovecot starts its processes as other users, so it needs root")
    port = free_port()
    (folder / "dovecot.conf").write_text(f"""\
base_dir = {folder}/run
state_dir = {folder}/state
log_path = {folder}/dovecot.log
listen = 127.0.0.1
protocols = imap
ssl = required
ssl_cert = <{pem.certificate}
ssl_key = <{pem.key}
default_vsz_limit = 512M
service imap-login {{
  chroot =
  inet_listener imap {{
    port = {port}
  }}
  inet_listener imaps {{
    port = 0
  }}
}}
passdb {{
  driver = static
  args = nopassword=y
}}
""")
    with process(("/usr/sbin/dovecot", "-F", "-c", str(folder / "dovecot.conf")), port, folder / "out.log") as there:
        yield there


@contextmanager
def slapd(pem: Pem, folder: Path) -> Iterator[int]:
    """LDAP with StartTLS (RFC 4511). It has no database: the root of the tree is enough."""
    need(Path("/usr/sbin/slapd").exists(), "slapd is not installed")
    port = free_port()
    (folder / "slapd.conf").write_text(
        f"pidfile {folder}/slapd.pid\nTLSCertificateFile {pem.certificate}\nTLSCertificateKeyFile {pem.key}\n"
        f"TLSCACertificateFile {pem.authority}\n"
    )
    argv = ("/usr/sbin/slapd", "-d", "0", "-f", str(folder / "slapd.conf"), "-h", f"ldap://127.0.0.1:{port}")
    with process(argv, port, folder / "slapd.log") as there:
        yield there
