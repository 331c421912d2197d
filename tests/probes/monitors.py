"""A double of a guest's QMP monitor that speaks the protocol over a unix socket, as qemu-qmp-ref(7) describes it."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

GREETING: dict[str, Any] = {
    "QMP": {"version": {"qemu": {"micro": 22, "minor": 2, "major": 7}, "package": ""}, "capabilities": ["oob"]}
}
"""As QEMU 7.2.22 greeted."""

MIB = 2**20


def drive(status: str | None = "ok", device: str = "virtio0", file: str = "/skerry/hide-hub.raw") -> dict[str, Any]:
    """One entry of query-block, shortened, as QEMU 7.2.22 gave it. status: None where it gives no io-status."""
    entry = {"device": device, "locked": False, "removable": False, "type": "unknown",
             "inserted": {"ro": False, "drv": "raw", "file": file, "node-name": "#block113", "encrypted": False,
                          "image": {"virtual-size": 32 * MIB, "filename": file, "format": "raw", "actual-size": 0}},
             "qdev": "/machine/peripheral-anon/device[0]/virtio-backend"}  # fmt: skip
    return entry if status is None else {"io-status": status, **entry}


def replies(
    name: str = "hide-hub",
    state: str = "running",
    drives: list[dict[str, Any]] | None = None,
    memory_bytes: int = 64 * MIB,
    channels: list[dict[str, Any]] | None = None,
) -> dict[str, Any]:
    """Question -> what a QEMU 7.2 without a balloon replies."""
    return {
        "qmp_capabilities": {"return": {}},
        "query-name": {"return": {"name": name} if name else {}},
        "query-status": {"return": {"status": state, "singlestep": False, "running": state == "running"}},
        "query-block": {"return": [drive()] if drives is None else drives},
        "query-memory-size-summary": {"return": {"base-memory": memory_bytes, "plugged-memory": 0}},
        "query-balloon": {"error": {"class": "DeviceNotActive", "desc": "No balloon device has been activated"}},
        "query-cpus-fast": {"return": [{"cpu-index": 0, "thread-id": 7840, "target": "x86_64"}]},
        "query-blockstats": {"return": [counts(each) for each in ([drive()] if drives is None else drives)]},
        "query-chardev": {"return": channels or []},
        "qom-list": {"return": [{"name": "type", "type": "string"}]},
    }


def counts(disk: dict[str, Any], written_bytes: int = 4096) -> dict[str, Any]:
    """One entry of query-blockstats, shortened, as QEMU 7.2.22 gave it."""
    return {"device": disk.get("device", ""), "qdev": disk.get("qdev", ""), "stats": {"wr_bytes": written_bytes}}


@asynccontextmanager
async def monitor(
    path: Path, answers: dict[str, Any], *, first: bytes = b"", events: int = 0
) -> AsyncIterator[list[str]]:
    """A monitor at a path; yields the list of what it was asked.

    first: bytes to send in place of the greeting. events: how many to send before each reply.
    """
    asked: list[str] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(first or json.dumps(GREETING).encode() + b"\r\n")
        try:
            while line := await reader.readline():
                message = json.loads(line)
                asked.append(message["execute"])
                for number in range(events):
                    event = {"event": "BALLOON_CHANGE", "timestamp": {"seconds": number, "microseconds": 0}}
                    writer.write(json.dumps(event).encode() + b"\r\n")
                if (reply := answers.get(message["execute"])) is None:
                    break
                raw = reply if isinstance(reply, bytes) else json.dumps({**reply, "id": message["id"]}).encode()
                writer.write(raw + b"\r\n")
                await writer.drain()
        except ConnectionError:
            pass
        writer.close()

    # A killed guest leaves its socket behind. From Python 3.13 on, a closed server would remove it unless told not to.
    kept: dict[str, Any] = {"cleanup_socket": False} if sys.version_info[:2] >= (3, 13) else {}
    async with await asyncio.start_unix_server(serve, path, **kept):
        yield asked
        await asyncio.sleep(0)
