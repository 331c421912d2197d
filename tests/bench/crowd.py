"""What a crowd of probes costs, and whether any is late: `.venv/bin/python -m tests.bench.crowd [count ...]`.

A real daemon, pinned to one core, asks one real server (another process, on the other core) over loopback HTTP every
30 s, once for each probe, while a client reads its page now and then. The server stamps every request with the
monotonic clock, so lateness is seen from outside: how much later a probe's request comes than in its earliest round,
with the connection's own time in it. The schedule decides when that is (periodic/scheduler.py).

To reach: with 2,000, none missed, and the 99th percentile of lateness under 1 s. The first round, in which all begin,
is printed apart.
"""

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil

from tests.support.daemon import Daemon, command

COUNTS = (50, 200, 500, 1_000, 2_000)
EVERY_S = 30.0
CORE = 0
"""The daemon's. What else there is, the server may have."""
ANSWER = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nConnection: close\r\n\r\nok"
MIB = 2.0**20


class Answering(asyncio.Protocol):
    """Answers each request at once and writes down when it came, and for which path."""

    def __init__(self, stamps: list[tuple[str, float]]) -> None:
        self._stamps = stamps

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        self._stamps.append((data.split(b" ", 2)[1].decode(), time.monotonic()))
        self._transport.write(ANSWER)
        self._transport.close()


async def server() -> None:
    """Serve until standard input ends; then print every stamp."""
    stamps: list[tuple[str, float]] = []
    loop = asyncio.get_running_loop()
    served = await loop.create_server(lambda: Answering(stamps), "127.0.0.1", 0, backlog=4_096)
    print(served.sockets[0].getsockname()[1], flush=True)
    await asyncio.to_thread(sys.stdin.read)
    served.close()
    print("\n".join(f"{path[1:]} {at!r}" for path, at in stamps), flush=True)


def name(number: int) -> str:
    return f"hide-{number}"


def document(folder: Path, port: int, count: int) -> Path:
    """A configuration with so many services and nothing else."""
    config = folder / "config.toml"
    probes = "\n".join(
        f'[[probe]]\nkind = "http"\nname = "{name(n)}"\nurl = "http://127.0.0.1:{port}/{name(n)}"\nevery = "30s"'
        for n in range(count)
    )
    config.write_text(f'watch_host = false\n[page]\nport = 0\n[store]\npath = "{folder}/watchkeeper.db"\n{probes}\n')
    return config


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen of one crowd."""

    count: int
    start_s: float
    late_s: np.ndarray
    first_s: np.ndarray
    missed: int
    processor: float
    rss_mib: float
    load: float


def watch(count: int, rounds: int) -> Seen:
    """Run a daemon on so many probes for so many rounds after the first."""
    words = [sys.executable, "-m", "tests.bench.crowd", "--serve"]
    others = os.sched_getaffinity(0) - {CORE} or {CORE}
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as serving,
    ):
        assert serving.stdin is not None
        assert serving.stdout is not None
        os.sched_setaffinity(serving.pid, others)
        config = document(Path(folder), int(serving.stdout.readline()), count)
        began = time.monotonic()
        process = subprocess.Popen(command(config), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        os.sched_setaffinity(process.pid, {CORE})  # its threads come later, and stay where it is
        with Daemon(process) as daemon:
            start_s, ready_at = time.monotonic() - began, time.monotonic()
            known = psutil.Process(process.pid)
            time.sleep(1.5 * EVERY_S)  # the first round, and until every probe has come to its own time
            before, measured_from = known.cpu_times(), time.monotonic()
            for _ in range(int(rounds * EVERY_S / 10)):
                time.sleep(10)
                with urllib.request.urlopen(daemon.address) as page:
                    page.read()
            after, until = known.cpu_times(), time.monotonic()
            rss_mib, load = known.memory_info().rss / MIB, os.getloadavg()[0]
            daemon.stop(60)
        stamps = serving.communicate(timeout=60)[0].splitlines()
    came: dict[str, list[float]] = defaultdict(list)
    for label, at in (line.split(" ") for line in stamps):
        came[label].append(float(at))
    late, missed = lateness(came, count, ready_at + EVERY_S, until)
    first = np.array([came[name(n)][0] - ready_at for n in range(count)])
    used = after.user + after.system - before.user - before.system
    return Seen(count, start_s, late, first, missed, used / (until - measured_from), rss_mib, load)


def lateness(came: dict[str, list[float]], count: int, since: float, until: float) -> tuple[np.ndarray, int]:
    """How much later than its earliest each request came, of those between two instants; and how many never came.

    A probe that always begins behind others has that wait in its earliest request too: at most 16 share a moment.
    """
    late, missed = [], 0
    for n in range(count):
        label = name(n)
        earliest = _earliest([at % EVERY_S for at in came[label] if at > since])
        first = since + (earliest - since) % EVERY_S
        plans = np.arange(first, until - 3.0, EVERY_S)
        arrivals = np.array([at for at in came[label] if at >= since - 0.001])
        for plan in plans:
            found = arrivals[(arrivals >= plan - 0.001) & (arrivals < plan + EVERY_S)]
            if len(found):
                late.append(found[0] - plan)
            else:
                missed += 1
    return np.array(late), missed


def _earliest(phases: Sequence[float]) -> float:
    """The point of a circle of EVERY_S behind the largest stretch without any phase: where the earliest lie."""
    found = np.sort(np.array(phases))
    gaps = np.diff(np.concatenate((found, [found[0] + EVERY_S])))
    return float(found[(int(np.argmax(gaps)) + 1) % len(found)])


def show(seen: Seen) -> None:
    """One line of the table."""
    p50, p99 = 1_000 * np.percentile(seen.late_s, [50, 99])
    each_ms = 1_000 * seen.processor * EVERY_S / seen.count
    print(
        f"{seen.count:7} {len(seen.late_s):7} {seen.missed:7} {p50:9.0f} {p99:9.0f} {1_000 * seen.late_s.max():9.0f}"
        f" {np.max(seen.first_s):9.1f} {100 * seen.processor:8.1f} {each_ms:9.2f}"
        f" {seen.rss_mib:8.0f} {seen.start_s:7.1f} {seen.load:6.2f}",
        flush=True,
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("counts", nargs="*", type=int, default=COUNTS)
    parser.add_argument("--rounds", type=int, default=6)
    parser.add_argument("--serve", action="store_true", help="be the server")
    args = parser.parse_args()
    if args.serve:
        asyncio.run(server())
        return
    print("                           late, in ms                    first     core   ms each      RSS   start   load")
    print(" probes    runs  missed    median      99 %      most  round, s        %     a run      MiB       s")
    for count in args.counts:
        show(watch(count, args.rounds))


if __name__ == "__main__":
    main()
