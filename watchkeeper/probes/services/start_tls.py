"""Asks a server, in its own protocol, to begin TLS on a connection that is plain so far.

SMTP: RFC 3207. IMAP: RFC 9051, section 6.2.1. POP3: RFC 2595, section 4. LDAP: RFC 4511, section 4.14. Not here: the
handshake that follows (tcp.py).
"""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Literal

from watchkeeper.errors import ProbeError
from watchkeeper.probes.support.sanitize import clip

Protocol = Literal["smtp", "imap", "pop3", "ldap"]

LINES_LIMIT = 100
"""A server's answer to EHLO has one line for each of its extensions, about 15."""

LDAP_REQUEST = b"\x30\x1d\x02\x01\x01\x77\x18\x80\x16" + b"1.3.6.1.4.1.1466.20037"
"""An extended request with the name of StartTLS, in BER."""

LDAP_LIMIT_BYTES = 4096


async def request(protocol: Protocol, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Go on until the server is ready for the handshake. Raises ProbeError if it is not, and OSError."""
    await _REQUESTS[protocol](reader, writer)


async def _line(reader: asyncio.StreamReader) -> bytes:
    try:
        line = await reader.readline()
    except ValueError:
        raise ProbeError("its answer has a line without end") from None
    if not line:
        raise ProbeError("it closed the connection before TLS")
    return line


async def _smtp(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    await _smtp_reply(reader, b"220")
    # An address literal: RFC 5321, section 4.1.3, for a client that has no name of its own.
    writer.write(b"EHLO [127.0.0.1]\r\n")
    await _smtp_reply(reader, b"250")
    writer.write(b"STARTTLS\r\n")
    await _smtp_reply(reader, b"220")


async def _smtp_reply(reader: asyncio.StreamReader, expected: bytes) -> None:
    """A reply of one or more lines; all but the last have a hyphen after the code."""
    for _ in range(LINES_LIMIT):
        line = await _line(reader)
        if not line.startswith(expected):
            raise _refused(line)
        if line[3:4] != b"-":
            return
    raise ProbeError("its answer has too many lines")


async def _imap(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    greeting = await _line(reader)
    if not greeting.upper().startswith((b"* OK", b"* PREAUTH")):
        raise _refused(greeting)
    writer.write(b"a1 STARTTLS\r\n")
    for _ in range(LINES_LIMIT):
        line = await _line(reader)
        if line.upper().startswith(b"A1 OK"):
            return
        if not line.startswith(b"*"):
            raise _refused(line)
    raise ProbeError("its answer has too many lines")


async def _pop3(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    for send in (b"STLS\r\n", b""):
        line = await _line(reader)
        if not line.startswith(b"+OK"):
            raise _refused(line)
        writer.write(send)


async def _ldap(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """The answer is one message: a sequence (0x30) with the number and an extended response (0x78)."""
    writer.write(LDAP_REQUEST)
    try:
        tag, length = await reader.readexactly(2)
        if length & 0x80:
            length = int.from_bytes(await reader.readexactly(length & 0x7F))
        if tag != 0x30 or not 5 <= length <= LDAP_LIMIT_BYTES:
            raise ProbeError("it does not answer in LDAP")
        answer = await reader.readexactly(length)
    except asyncio.IncompleteReadError:
        raise ProbeError("it closed the connection before TLS") from None
    response = answer.find(b"\x78")
    if response < 0 or b"\x0a\x01\x00" not in answer[response : response + 8]:
        raise ProbeError("it refuses to begin TLS")


def _refused(line: bytes) -> ProbeError:
    return ProbeError(f'it refuses to begin TLS: "{clip(line.decode("utf-8", "replace").strip(), 100)}"')


_REQUESTS: dict[Protocol, Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]] = {
    "smtp": _smtp,
    "imap": _imap,
    "pop3": _pop3,
    "ldap": _ldap,
}
