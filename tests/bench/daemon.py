"""Print what the daemon costs: cold start, memory, processor time. Run: .venv/bin/python -m tests.bench.daemon

Each figure stands beside that of an empty process that imports the same packages, measured in the same run; the ratio
is what counts, because machines are noisy. To reach: start at most 2 x, memory at most 1.3 x, processor at most 0.5 %.
"""

import argparse
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Self

import psutil

from tests.support.daemon import Daemon

PACKAGES = (
    "aiohttp, aiohttp.web, aiosmtplib, apscheduler.schedulers.asyncio, click, jinja2, numpy, psutil, "
    "pydantic_settings, rich.console, sqlite_utils"
)
EMPTY = [sys.executable, "-c", f"import {PACKAGES}; print('ready', flush=True); import time; time.sleep(600)"]


class Measured(Daemon):
    """A real daemon on a configuration of its own, with its page on a free port."""

    @classmethod
    def on(cls, folder: Path, document: str) -> Self:
        """Start it; `document` is added to the least configuration."""
        config = folder / "config.toml"
        config.write_text(f'[page]\nport = 0\n[store]\npath = "{folder / "watchkeeper.db"}"\n{document}')
        return cls.start(config)

    def first_page(self) -> None:
        """Wait for the whole first page."""
        with urllib.request.urlopen(self.address) as answer:
            answer.read()


def empty_start_s() -> float:
    """Seconds until an empty process has imported the same packages."""
    began = time.perf_counter()
    process = subprocess.Popen(EMPTY, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.readline()
    took = time.perf_counter() - began
    process.kill()
    process.wait()
    return took


def cold_start(rounds: int) -> None:
    pairs = []
    for _ in range(rounds):
        with tempfile.TemporaryDirectory() as folder:
            began = time.perf_counter()
            daemon = Measured.on(Path(folder), "")
            daemon.first_page()
            page = time.perf_counter() - began
            daemon.stop()
        pairs.append((page, empty_start_s()))
    page, empty = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(a / b for a, b in pairs)
    print(f"cold start to first page: {page:.2f} s; empty process: {empty:.2f} s; ratio {ratio:.2f} (to reach: 2)")


def resident_memory() -> None:
    """An hour of the default probes is 60 rounds of file systems, 120 of memory and 60 of the daemon itself."""
    document = "\n".join(
        f'[[probe]]\nkind = "{kind}"\nevery = "{every}"'
        for kind, every in (("filesystems", "0.2s"), ("memory", "0.1s"), ("self-check", "0.2s"))
    )
    empty = subprocess.Popen(EMPTY, stdout=subprocess.PIPE, text=True)
    assert empty.stdout is not None
    empty.stdout.readline()
    with tempfile.TemporaryDirectory() as folder:
        daemon = Measured.on(Path(folder), document)
        daemon.first_page()
        time.sleep(14)
        ours = psutil.Process(daemon.process.pid).memory_info().rss
        theirs = psutil.Process(empty.pid).memory_info().rss
        daemon.stop()
    empty.kill()
    empty.wait()
    mib = 2.0**20
    print(f"resident after an hour of ticks: {ours / mib:.0f} MiB; empty process: {theirs / mib:.0f} MiB; "
          f"ratio {ours / theirs:.2f} (to reach: 1.3)")  # fmt: skip


class _Ok(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"ok")

    def log_message(self, *_: object) -> None:
        pass


def processor(seconds: float) -> None:
    """57 HTTP probes and the three default ones, each every 30 s."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Ok)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    url = f"http://127.0.0.1:{server.server_port}/"
    document = "\n".join(
        [f'[[probe]]\nkind = "{kind}"\nevery = "30s"' for kind in ("filesystems", "memory", "self-check")]
        + [f'[[probe]]\nkind = "http"\nname = "hide-{n}"\nurl = "{url}"\nevery = "30s"' for n in range(57)]
    )
    with tempfile.TemporaryDirectory() as folder:
        daemon = Measured.on(Path(folder), document)
        daemon.first_page()
        process = psutil.Process(daemon.process.pid)
        time.sleep(35)  # the first round is the most expensive one and comes once
        before, began = process.cpu_times(), time.perf_counter()
        time.sleep(seconds)
        after, took = process.cpu_times(), time.perf_counter() - began
        daemon.stop()
    server.shutdown()
    used = (after.user - before.user) + (after.system - before.system)
    print(
        f"processor with 60 probes every 30 s: {100 * used / took:.2f} % of one core over {took:.0f} s (to reach: 0.5)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=120)
    parser.add_argument("part", nargs="*", default=["start", "memory", "processor"])
    args = parser.parse_args()
    if "start" in args.part:
        cold_start(args.rounds)
    if "memory" in args.part:
        resident_memory()
    if "processor" in args.part:
        processor(args.seconds)


if __name__ == "__main__":
    main()
