"""TLS as a probe needs it: when the handshake began, which certificate was presented, and why it was not accepted.

The standard library gives the fields of a certificate only if it verified it. Any other certificate is read with
`cryptography`, which is imported only then: it costs 8 MiB of memory.
"""

import asyncio
import hashlib
import ssl
from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from watchkeeper.clock import Clock
from watchkeeper.errors import ProbeError
from watchkeeper.model.units import format_duration
from watchkeeper.probes.support.sanitize import clip

if TYPE_CHECKING:
    from cryptography import x509

# Names of OpenSSL's verification errors: x509_vfy.h.
EXPIRED, NOT_YET_VALID, NAME_MISMATCH, ADDRESS_MISMATCH = 10, 9, 62, 64
UNKNOWN_ISSUER = frozenset({18, 19, 20, 21})
"""Self-signed (alone or in the chain), and an unknown issuer."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """The fields of a certificate that probes use. names: the host names and addresses that it is valid for.

    fingerprint: SHA-256 of the whole certificate.
    """

    not_before: datetime
    not_after: datetime
    names: tuple[str, ...] = ()
    issuer: str = ""
    fingerprint: str = ""


@dataclass(slots=True)
class Handshake:
    """Filled in by the context when a handshake begins. began_s: on the monotonic clock."""

    clock: Clock
    began_s: float | None = None
    object: ssl.SSLObject | None = field(default=None, repr=False)

    def certificate(self) -> Certificate | None:
        """The peer's certificate once the handshake is done; None before that, or if none was presented."""
        if self.object is None:
            return None
        try:
            der = self.object.getpeercert(binary_form=True)
        except ValueError:
            return None  # The handshake was not finished.
        if not der:
            return None
        # A service shows the same certificate for months.
        key = self.object.context.verify_mode is not ssl.CERT_NONE, der
        if key not in _read_before:
            if len(_read_before) >= READ_LIMIT:
                _read_before.clear()
            verified = self.object.getpeercert()
            _read_before[key] = _from_fields(verified, der) if verified else read_certificate(der)
        return _read_before[key]


READ_LIMIT = 64
"""Certificates that are remembered, a few kilobytes each."""

_read_before: dict[tuple[bool, bytes], Certificate | None] = {}
"""By whether it was verified, and by its bytes."""


current: ContextVar[Handshake | None] = ContextVar("current", default=None)
"""The handshake that the running task wants to observe."""


class WatchedContext(ssl.SSLContext):
    """A context that records when asyncio begins a handshake, which is when TCP is connected.

    asyncio then calls `wrap_bio` in the task's own context, so one TLS context serves all probes.
    """

    def wrap_bio(
        self,
        incoming: ssl.MemoryBIO,
        outgoing: ssl.MemoryBIO,
        server_side: bool = False,  # noqa: FBT001, FBT002  the signature of the standard library
        server_hostname: str | bytes | None = None,
        session: ssl.SSLSession | None = None,
    ) -> ssl.SSLObject:
        """Wrap as the standard library does, and record the time."""
        wrapped = super().wrap_bio(incoming, outgoing, server_side, server_hostname, session)
        handshake = current.get()
        if handshake is not None:
            handshake.began_s, handshake.object = handshake.clock.monotonic_s(), wrapped
        return wrapped


@lru_cache(maxsize=16)
def _context(ca_file: Path | None, verify: bool, written_ns: int, alpn: str) -> WatchedContext:  # noqa: ARG001, FBT001  cache keys
    context = WatchedContext(ssl.PROTOCOL_TLS_CLIENT)
    if not verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    elif ca_file is None:
        context.load_default_certs(ssl.Purpose.SERVER_AUTH)
    else:
        context.load_verify_locations(cafile=ca_file)
    if alpn:
        context.set_alpn_protocols([alpn])
    return context


def context_for(ca_file: Path | None = None, *, verify: bool = True, alpn: str = "http/1.1") -> WatchedContext:
    """The TLS context for these options; shared, because each takes a megabyte. A renewed CA file is read again.

    alpn: the protocol that is offered (RFC 7301); empty for none, which a server of another protocol than HTTP expects.
    Raises OSError (which includes ssl.SSLError) if the CA file cannot be read.
    """
    return _context(ca_file, verify, ca_file.stat().st_mtime_ns if ca_file else 0, alpn)


def usable_context(subject: str, ca_file: Path | None, *, verify: bool, alpn: str = "http/1.1") -> WatchedContext:
    """As context_for. Raises ProbeError if the CA file of this subject cannot be used."""
    try:
        return context_for(ca_file, verify=verify, alpn=alpn)
    except OSError as error:
        trouble = getattr(error, "reason", None) or error.strerror
        raise ProbeError(f"ca_file {ca_file} of {subject} cannot be used: {trouble}") from error


async def unverified_certificate(address: str, port: int, name: str, clock: Clock) -> Certificate | None:
    """Repeat the handshake without verifying, to read the certificate that was not accepted; no request is sent.

    address: numeric, so that no name is looked up. Raises OSError.
    """
    handshake = Handshake(clock)
    token = current.set(handshake)
    try:
        transport, _ = await asyncio.get_running_loop().create_connection(
            asyncio.Protocol, address, port, ssl=context_for(verify=False), server_hostname=name
        )
    finally:
        current.reset(token)
    try:
        return handshake.certificate()
    finally:
        transport.abort()


def why_refused(error: Exception, shown: Certificate | None, name: str, now: datetime) -> str:
    """Why a certificate was not accepted, with the remedy if there is one.

    error: an ssl.SSLCertVerificationError; libraries type it as a plain Exception.
    """
    code = getattr(error, "verify_code", 0)
    if code == EXPIRED:
        since = f" {_apart(shown.not_after, now)} ago" if shown else ""
        return f"certificate expired{since}"
    if code == NOT_YET_VALID:
        until = f" for another {_apart(now, shown.not_before)}" if shown else " yet"
        return f"certificate is not valid{until}"
    if code in (NAME_MISMATCH, ADDRESS_MISMATCH):
        names = f" (it is for {', '.join(shown.names[:3])})" if shown and shown.names else ""
        return f"certificate does not match the name {name}{clip(names)}"
    if code in UNKNOWN_ISSUER:
        return "certificate was issued by an unknown authority; set the authority's certificate as ca_file"
    return f"certificate was not accepted: {clip(getattr(error, 'verify_message', str(error)))}"


def _apart(earlier: datetime, later: datetime) -> str:
    """The time between two moments for display: whole days, or a duration if it is less than a day."""
    seconds = max((later - earlier).total_seconds(), 0.0)
    days = int(seconds // 86_400)
    return f"{days} day{'s' * (days != 1)}" if days else format_duration(seconds)


def _from_fields(fields: Mapping[str, Any], der: bytes) -> Certificate:
    """Build it from what ssl.SSLObject.getpeercert() returns for a verified certificate."""
    issuer = {key: value for relative in fields.get("issuer", ()) for key, value in relative}
    return Certificate(
        not_before=_instant(str(fields["notBefore"])),
        not_after=_instant(str(fields["notAfter"])),
        names=tuple(value for _, value in fields.get("subjectAltName", ())),
        issuer=issuer.get("commonName") or issuer.get("organizationName", ""),
        fingerprint=hashlib.sha256(der).hexdigest(),
    )


def _instant(text: str) -> datetime:
    return datetime.fromtimestamp(ssl.cert_time_to_seconds(text), UTC)


def read_certificate(der: bytes) -> Certificate | None:
    """Read a certificate, verified or not; None if the bytes are not one."""
    from cryptography import x509  # noqa: PLC0415  8 MiB, for a rare case
    from cryptography.x509.oid import NameOID  # noqa: PLC0415

    try:
        certificate = x509.load_der_x509_certificate(der)
        names = _names(certificate)
        issuers = certificate.issuer.get_attributes_for_oid(NameOID.COMMON_NAME) or list(certificate.issuer)
        return Certificate(
            not_before=certificate.not_valid_before_utc,
            not_after=certificate.not_valid_after_utc,
            names=names,
            issuer=str(issuers[0].value) if issuers else "",
            fingerprint=hashlib.sha256(der).hexdigest(),
        )
    except (ValueError, x509.InvalidVersion, x509.DuplicateExtension, x509.UnsupportedGeneralNameType):
        return None


def _names(certificate: "x509.Certificate") -> tuple[str, ...]:
    from cryptography import x509  # noqa: PLC0415  as above

    try:
        alternative = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return ()
    addresses = alternative.get_values_for_type(x509.IPAddress)
    return (*alternative.get_values_for_type(x509.DNSName), *map(str, addresses))
