"""A guest's agent: the real qemu-ga on a socket, and doubles that reply as a guest may."""

import asyncio
import json
import shutil
import sys
import tempfile
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from tests.probes.machines import listening
from tests.support.needs import need

QEMU_GA = shutil.which("qemu-ga", path="/usr/sbin:/usr/bin:/sbin:/bin")

GIB = 2**30

SYSTEM = {"pretty-name": "Debian GNU/Linux 12 (bookworm)", "kernel-release": "6.1.0-50-amd64", "id": "debian"}


def file_system(point: str, used: int, total: int, name: str = "vda1", sort: str = "ext4") -> dict[str, Any]:
    """One entry of guest-get-fsinfo, as qemu-ga 7.2 gave it."""
    disk = {"bus-type": "virtio", "bus": 0, "unit": 0, "target": 0, "dev": f"/dev/{name}"}
    return {"name": name, "mountpoint": point, "type": sort, "used-bytes": used, "total-bytes": total, "disk": [disk]}


def interface(name: str, *addresses: str) -> dict[str, Any]:
    """One entry of guest-network-get-interfaces."""
    found = [
        {"ip-address-type": "ipv6" if ":" in each else "ipv4", "ip-address": each, "prefix": 24} for each in addresses
    ]
    return {"name": name, "hardware-address": "52:54:00:12:34:56", **({"ip-addresses": found} if found else {})}


def answers(time_s: float, files: list[dict[str, Any]] | None = None) -> dict[str, Any]:
    """Question -> what an agent returns."""
    return {
        "guest-get-time": int(time_s * 1e9),
        "guest-get-osinfo": SYSTEM,
        "guest-network-get-interfaces": [interface("lo", "127.0.0.1"), interface("eth0", "192.0.2.7", "fe80::1")],
        "guest-get-fsinfo": [file_system("/", 3 * GIB, 8 * GIB)] if files is None else files,
    }


@asynccontextmanager
async def agent(
    path: Path, said: Mapping[str, Any], *, before: bytes = b"", mute: bool = False
) -> AsyncIterator[list[str]]:
    """An agent at a path; yields the list of what it was asked.

    said: a question's answer: what it returns, or bytes to send as they are; none if it is not there. before: bytes to
    send before the reply that repeats the number. mute: read and never reply.
    """
    asked: list[str] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                message = json.loads(line.removeprefix(b"\xff"))
                question = message["execute"]
                asked.append(question)
                if mute or (question != "guest-sync-delimited" and question not in said):
                    continue
                if question == "guest-sync-delimited":
                    writer.write(before + b"\xff" + json.dumps({"return": message["arguments"]["id"]}).encode() + b"\n")
                elif isinstance(reply := said[question], bytes):
                    writer.write(reply)
                else:
                    writer.write(json.dumps({"return": reply, "id": message["id"]}).encode() + b"\n")
                await writer.drain()
        except ConnectionError:
            pass
        writer.close()

    kept: dict[str, Any] = {"cleanup_socket": False} if sys.version_info[:2] >= (3, 13) else {}
    async with await asyncio.start_unix_server(serve, path, **kept):
        yield asked
        await asyncio.sleep(0)


@asynccontextmanager
async def real_agent(path: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    """Debian's qemu-ga, which answers for this machine; ended by its process id."""
    need(QEMU_GA, "qemu-ga is not installed (qemu-guest-agent): no real agent can be asked")
    with tempfile.TemporaryDirectory(prefix="wk", dir="/tmp") as folder:
        options = ("-m", "unix-listen", "-p", str(path), "-f", f"{folder}/pid", "-t", folder)
        async with listening(path, str(QEMU_GA), *options) as process:
            yield process
