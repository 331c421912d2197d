"""Opens a TCP connection to a service that has several addresses. Not here: the addresses of a name (resolve.py)."""

import asyncio
import socket
from collections.abc import Sequence

from watchkeeper.probes.support.resolve import Address

LINE_LIMIT_BYTES = 65_536
"""The longest line that a reader takes, if nothing else is asked for: asyncio's own default."""


async def connect(
    addresses: Sequence[Address], timeout_s: float, limit: int = LINE_LIMIT_BYTES
) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Try one address after the other, so that a dead one uses only its share of the time. Raises OSError."""
    trouble: OSError = OSError("its name has no address")
    for address in addresses:
        try:
            async with asyncio.timeout(timeout_s / (len(addresses) + 1)):
                return await _open(address, limit)
        except OSError as error:
            trouble = error
    raise trouble


async def _open(address: Address, limit: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Connect to a numeric address; no name is looked up. Raises OSError."""
    sock = socket.socket(address.family, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
    try:
        await asyncio.get_running_loop().sock_connect(sock, address.where)
        return await asyncio.open_connection(sock=sock, limit=limit)
    except BaseException:
        sock.close()
        raise
