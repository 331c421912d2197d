"""How long a failure takes to arrive, beyond its delay: `.venv/bin/python -m tests.bench.reaction [--failures 300]`.

A real daemon asks 200 services over loopback HTTP every 10 s; one of them after the other fails once. Measured is the
time from the moment at which the service gave its first failed answer until the webhook's request stood complete before
its receiver, less the time for which a silence must last (3 s here, so that neither the next look at the service nor
the steady look at everything, every 10 s, falls on it). Service and receiver are one process and stamp with one
monotonic clock. To reach: the 99th percentile under 1 s.

Each fails alone: answers that are lost within two minutes are gathered for up to a minute, on purpose, and told as one.
"""

import argparse
import asyncio
import json
import os
import subprocess
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.support.daemon import Daemon, command

SERVICES = 200
EVERY_S, DELAY_S = 10, 3
LONGEST_S = 60.0


@dataclass
class Station:
    """The services and the receiver. failing: the one that fails now, once it has been asked."""

    wanted: bool = False
    failing: str = ""
    failed_at: float = 0.0
    used: set[str] = field(default_factory=set)
    asked: set[str] = field(default_factory=set)
    arrived: asyncio.Queue[tuple[str, str, float]] = field(default_factory=asyncio.Queue)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer one request."""
        head = (await reader.readuntil(b"\r\n\r\n")).decode()
        verb, path, _ = head.split(" ", 2)
        if verb == "POST":
            length = next(int(line.split(":")[1]) for line in head.splitlines() if line.lower().startswith("content-l"))
            body = await reader.readexactly(length)
            await self._arrives(body, time.monotonic())
            writer.write(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n")
        else:
            writer.write(self._answer(path[1:]))
        await writer.drain()
        writer.close()

    def _answer(self, name: str) -> bytes:
        if self.wanted and name not in self.used and len(self.asked) == SERVICES:
            self.wanted, self.failing, self.failed_at = False, name, time.monotonic()
            self.used.add(name)
        self.asked.add(name)
        status = "503 Service Unavailable" if name == self.failing else "200 OK"
        return f"HTTP/1.1 {status}\r\nContent-Length: 2\r\nConnection: close\r\n\r\nok".encode()

    async def _arrives(self, body: bytes, at: float) -> None:
        data: dict[str, Any] = json.loads(body)["data"]
        await self.arrived.put((data["subject"], data["kind"], at))

    async def one(self) -> float:
        """Let the next service that is asked fail; seconds until it was told, beyond the delay."""
        self.wanted = True
        while True:
            subject, telling, at = await asyncio.wait_for(self.arrived.get(), LONGEST_S)
            if telling == "raised" and subject == f"service {self.failing}":
                self.failing = ""
                return at - self.failed_at - DELAY_S


def document(folder: Path, port: int) -> Path:
    """The configuration: floods and chattering are set out of the way, for every failure is to be told."""
    probes = "\n".join(
        f'[[probe]]\nkind = "http"\nname = "hide-{n}"\nurl = "http://127.0.0.1:{port}/hide-{n}"\nevery = "{EVERY_S}s"'
        for n in range(SERVICES)
    )
    config = folder / "config.toml"
    config.write_text(
        f'watch_host = false\n[page]\nport = 0\n[store]\npath = "{folder}/watchkeeper.db"\n'
        f'[rules.not_answering]\nwarning = "{DELAY_S}s"\nalarm = "never"\n[grouping]\nflood = 10000\n'
        f'[[notifier]]\nkind = "webhook"\nurl = "http://127.0.0.1:{port}/"\n{probes}\n'
    )
    return config


def started(config: Path) -> Daemon:
    """A daemon whose log nobody reads."""
    return Daemon(subprocess.Popen(command(config), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True))


async def measure(failures: int) -> list[float]:
    """Run a daemon and let services fail; each service at most once, then a new daemon."""
    found: list[float] = []
    while len(found) < failures:
        station = Station()
        server = await asyncio.start_server(station.serve, "127.0.0.1", 0, backlog=1_024)
        port = server.sockets[0].getsockname()[1]
        with tempfile.TemporaryDirectory() as folder:
            daemon = await asyncio.to_thread(started, document(Path(folder), port))
            with daemon:
                while len(found) < failures and len(station.used) < SERVICES - 10:
                    found.append(await station.one())
                await asyncio.to_thread(daemon.stop)
        server.close()
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--failures", type=int, default=300)
    args = parser.parse_args()
    beyond = np.array(asyncio.run(measure(args.failures)))
    p50, p99 = 1_000 * np.percentile(beyond, [50, 99])
    print(f"{len(beyond)} failures of {SERVICES} services asked every {EVERY_S} s, told after {DELAY_S} s of silence")
    print(f"beyond the delay: median {p50:.0f} ms, 99th percentile {p99:.0f} ms, most {1_000 * beyond.max():.0f} ms")
    print(f"load of the machine: {os.getloadavg()[0]:.2f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
