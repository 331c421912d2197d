"""A small name server for tests: answers over UDP and TCP with whatever bytes the test makes of a question."""

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import cast

Answering = Callable[[bytes, str], list[bytes]]
"""(question packet, "udp" or "tcp") -> the packets to send back."""


def question_of(packet: bytes) -> bytes:
    """The question section of a packet with one question."""
    end = packet.index(b"\0", 12) + 5
    return packet[12:end]


def answer(packet: bytes, records: bytes = b"", count: int = 0, flags: int = 0x8180) -> bytes:
    """An answer to a packet: its id and question, these flags, and `count` records."""
    return packet[:2] + struct.pack("!5H", flags, 1, count, 0, 0) + question_of(packet) + records


def record(kind: int, data: bytes, name: bytes = b"\xc0\x0c", group: int = 1) -> bytes:
    """One resource record; its name points back to the question (RFC 1035, 4.1.4)."""
    return name + struct.pack("!2HIH", kind, group, 60, len(data)) + data


class _Udp(asyncio.DatagramProtocol):
    def __init__(self, answering: Answering, heard: list[bytes]) -> None:
        self._answering, self._heard = answering, heard
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.DatagramTransport", transport)  # asyncio's own does not inherit it

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self._heard.append(data)
        for packet in self._answering(data, "udp"):
            assert self._transport is not None
            self._transport.sendto(packet, addr)


@asynccontextmanager
async def name_server(answering: Answering) -> AsyncIterator[tuple[int, list[bytes]]]:
    """The server's port, the same for UDP and TCP, and what it was asked over UDP."""
    heard: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        (length,) = struct.unpack("!H", await reader.readexactly(2))
        for packet in answering(await reader.readexactly(length), "tcp"):
            writer.write(struct.pack("!H", len(packet)) + packet)
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as tcp:
        port = tcp.sockets[0].getsockname()[1]
        loop = asyncio.get_running_loop()
        transport, _ = await loop.create_datagram_endpoint(
            lambda: _Udp(answering, heard), local_addr=("127.0.0.1", port)
        )
        yield port, heard
        transport.close()
        await asyncio.sleep(0)
