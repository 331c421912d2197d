"""Print what the daemon costs, and what that is made of: `.venv/bin/python -m tests.bench.daemon [PART ...]`.

Parts: `start` (processor time until the first page), `memory` (before and after the first page), `processor` (57 HTTP
probes and the three of this host), `series` (10 to 5,000 levels a minute), `growth` (memory for --hours, with 500
levels every five seconds; not run unless it is asked for). Each figure is processor time or memory of
the daemon's process, because other work disturbs the clock; memory is that of /proc/PID/smaps_rollup. Python's bytecode
is cached in a folder of this run, as it is where watchkeeper is installed.

A library that is installed for the tests only can be found by one of ours (sqlite-utils takes pandas if it is there):
memory is smaller in an environment that has only the packages of deploy/lock/run.txt. --python names its interpreter;
a .pth file there has to name this checkout, because parts of the daemon run in isolated processes.
"""

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Self

import psutil

from tests.support.daemon import Daemon

BARE = "asyncio"
CORE = "asyncio, sqlite3, click, pydantic_settings, apscheduler.schedulers.asyncio, numpy, psutil, tomllib"
WITH_PAGE = f"{CORE}, aiohttp.web, jinja2"
"""What a daemon imports of others at the start, and with the first page."""

PARTS = {
    "the interpreter and asyncio": "asyncio",
    "SQLite": "sqlite3",
    "command line": "click",
    "models": "pydantic.main, pydantic.networks, pydantic_settings",
    "scheduler": "apscheduler.schedulers.asyncio",
    "arithmetic": "numpy",
    "processes": "psutil",
    "watchkeeper's own modules": "watchkeeper.cli.commands.run",
    "the page: HTTP server": "aiohttp.web",
    "the page: templates": "jinja2",
    "the page: own modules": "watchkeeper.web.app",
}
MIB = 1024
CURVE = (10, 100, 1_000, 5_000)

Memory = tuple[int, int]
"""Resident and private, in KiB."""


def memory_of(pid: int) -> Memory:
    """The memory of a process."""
    rows = Counter[str]()
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()[1:]:
        name, size, *_ = line.split()
        rows[name] += int(size)
    return rows["Rss:"], rows["Private_Clean:"] + rows["Private_Dirty:"]


def shown(memory: Memory) -> str:
    return f"{memory[0] / MIB:5.1f} MiB resident, {memory[1] / MIB:5.1f} private"


class Bench:
    """Runs processes with bytecode caches of their own."""

    def __init__(self, python: str, folder: Path) -> None:
        self.python, self.folder = python, folder
        self.environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        self.environment |= {"PYTHONPYCACHEPREFIX": str(folder / "bytecode"), "PYTHONPATH": str(Path.cwd())}

    def cpu_of(self, code: str) -> float:
        """Processor time, in seconds, of a process that runs this code."""
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([self.python, "-c", code], env=self.environment, check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    def printed(self, code: str) -> str:
        """What a process that runs this code prints."""
        return subprocess.check_output([self.python, "-c", code], env=self.environment, text=True)

    @contextmanager
    def daemon(self, document: str = "", *, again: bool = False) -> Iterator["Measured"]:
        """A daemon with its page on a free port; `document` is added to the least configuration.

        again: on a database that an earlier daemon made: what creates one is not imported then.
        """
        with tempfile.TemporaryDirectory(dir=self.folder) as name:
            config = Path(name) / "config.toml"
            config.write_text(f'[page]\nport = 0\n[store]\npath = "{name}/watchkeeper.db"\n{document}')
            if again:
                Measured.run(self, config).stop()
            with Measured.run(self, config) as daemon:
                yield daemon
                daemon.stop()


class Measured(Daemon):
    """A real daemon."""

    @classmethod
    def run(cls, bench: Bench, config: Path) -> Self:
        """Start it."""
        command = [bench.python, "-m", "watchkeeper", "--config", str(config), "run"]
        return cls(subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=bench.environment))

    def first_page(self) -> None:
        """Wait for the whole first page."""
        with urllib.request.urlopen(self.address) as answer:
            answer.read()

    def cpu_s(self) -> float:
        times = psutil.Process(self.process.pid).cpu_times()
        return float(times.user + times.system)

    def memory(self) -> Memory:
        return memory_of(self.process.pid)


def start(bench: Bench, rounds: int) -> None:
    """Processor time until the address is printed, and until the first page, against the imports alone."""
    figures = []
    for _ in range(rounds):
        with bench.daemon() as daemon:
            ready = daemon.cpu_s()
            daemon.first_page()
            page = daemon.cpu_s()
        core, whole = bench.cpu_of(f"import {CORE}"), bench.cpu_of(f"import {WITH_PAGE}")
        own = bench.cpu_of("import watchkeeper.cli.commands.run, watchkeeper.web.app")
        figures.append((ready, page, core, whole, own))
    ready, page, core, whole, own = (statistics.median(column) for column in zip(*figures, strict=True))
    print(
        f"processor time until it monitors: {ready:.2f} s; packages of others alone {core:.2f} s: {ready / core:.2f} x"
    )
    print(f"until the first page: {page:.2f} s; packages of others alone {whole:.2f} s: {page / whole:.2f} x")
    print(f"of these, all imports with watchkeeper's own modules: {own:.2f} s: {page / own:.2f} x")


MADE_OF = """
import sys
def memory():
    rows = {}
    for line in open("/proc/self/smaps_rollup").read().splitlines()[1:]:
        name, size, *_ = line.split()
        rows[name] = rows.get(name, 0) + int(size)
    return rows["Rss:"], rows["Private_Clean:"] + rows["Private_Dirty:"]
before = 0, 0
for name, modules in PARTS.items():
    exec("import " + modules)
    now = memory()
    print(f"  {(now[0] - before[0]) / 1024:5.1f} {(now[1] - before[1]) / 1024:5.1f}  {name}")
    before = now
"""


def memory(bench: Bench, seconds: float) -> None:
    """Resident and private memory, before and after the first page, and by what is imported one after the other."""
    bare = bench.printed("import asyncio\nprint(open('/proc/self/smaps_rollup').read())")
    print(f"an interpreter with asyncio: {int(bare.split('Rss:')[1].split()[0]) / MIB:.1f} MiB resident")
    with bench.daemon() as daemon:
        time.sleep(seconds)
        print(f"daemon without configuration, first start, page not opened: {shown(daemon.memory())}")
    with bench.daemon(again=True) as daemon:
        time.sleep(seconds)
        print(f"the same on a database that exists: {shown(daemon.memory())}")
        daemon.first_page()
        time.sleep(2)
        print(f"the same after the first page: {shown(daemon.memory())}")
    print("made of, in the order of the imports (MiB resident, private):")
    print(bench.printed(f"PARTS = {PARTS!r}\n{MADE_OF}"), end="")


class _Ok(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"ok")

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def server() -> Iterator[str]:
    """The address of a server that answers everything."""
    made = ThreadingHTTPServer(("127.0.0.1", 0), _Ok)
    threading.Thread(target=made.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{made.server_port}/"
    finally:
        made.shutdown()
        made.server_close()


def threads_of(pid: int) -> Counter[str]:
    """Processor time by thread, in seconds: the first one, and the rest, which run SQLite and what may block."""
    used = Counter[str]()
    for each in psutil.Process(pid).threads():
        used["event loop" if each.id == pid else "other threads"] += each.user_time + each.system_time
    return used


def wakings(pid: int) -> int:
    """How often its threads have waited for something so far."""
    states = (each.read_text() for each in Path(f"/proc/{pid}/task").glob("*/status"))
    return sum(int(text.split("\nvoluntary_ctxt_switches:")[1].split()[0]) for text in states)


def used_by(daemon: Measured, seconds: float) -> Counter[str]:
    """The share of a core that each sort of thread takes, once the first round is over."""
    before, began, woken = threads_of(daemon.process.pid), time.monotonic(), wakings(daemon.process.pid)
    time.sleep(seconds)
    after, took = threads_of(daemon.process.pid), time.monotonic() - began
    print(f"  {(wakings(daemon.process.pid) - woken) / took:.1f} awakenings a second")
    return Counter({name: (after[name] - before[name]) / took for name in after})


def processor(bench: Bench, seconds: float) -> None:
    """57 HTTP probes and three of this host, each every 30 s."""
    with server() as url:
        document = "\n".join(
            [f'[[probe]]\nkind = "{kind}"\nevery = "30s"' for kind in ("filesystems", "memory", "self-check")]
            + [f'[[probe]]\nkind = "http"\nname = "hide-{n}"\nurl = "{url}"\nevery = "30s"' for n in range(57)]
        )
        with bench.daemon(document) as daemon:
            time.sleep(35)  # the first round is the most expensive one and comes once
            used = used_by(daemon, seconds)
            print(f"60 probes every 30 s: {100 * used.total():.2f} % of a core ({seconds:.0f} s), {_parts(used)}")
            print(f"  {shown(daemon.memory())}")


def _parts(used: Counter[str]) -> str:
    return ", ".join(f"{name} {100 * share:.2f}" for name, share in used.items())


def series(bench: Bench, seconds: float) -> None:
    """Levels that grow, each once a minute, from programs with up to a hundred each; their own time is not counted."""
    print("series  core, %  of these                              memory")
    for count in CURVE:
        with bench.daemon(levels(bench, count, "1m")) as daemon:
            time.sleep(65)  # the first round, and the imports with it
            used = used_by(daemon, seconds)
            print(f"{count:6,}  {100 * used.total():7.2f}  {_parts(used)}  {shown(daemon.memory())}", flush=True)


def levels(bench: Bench, count: int, every: str) -> str:
    """A configuration for so many levels, of programs that print a hundred each."""
    program = bench.folder / "levels.sh"
    program.write_text(LEVELS)
    each = min(count, 100)
    return "\n".join(
        f'[[probe]]\nkind = "command"\nname = "things-{n}"\nevery = "{every}"\n'
        f'run = ["/bin/sh", "{program}", "{n}", "{each}"]'
        for n in range(count // each)
    )


def growth(bench: Bench, hours: float) -> None:
    """Memory every five minutes: the recent part of a level's history (720 samples) is full after an hour."""
    print("minutes  memory")
    with bench.daemon(levels(bench, 500, "5s")) as daemon:
        for minutes in range(0, int(60 * hours) + 1, 5):
            time.sleep(300 if minutes else 30)
            print(f"{minutes:7}  {shown(daemon.memory())}", flush=True)


LEVELS = """
n=0
used=$(($(date +%s) % 1000000))
while [ $n -lt $2 ]; do
    [ $n -eq 0 ] && echo "[" || echo ","
    echo '{"kind": "level", "subject": "tide-log '$1 $n'", "quantity": "entries", "unit": "count", '
    echo '"used": '$used', "capacity": 100000000}'
    n=$((n + 1))
done
echo "]"
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=120)
    parser.add_argument("--hours", type=float, default=2)
    parser.add_argument("--python", default=sys.executable)
    parser.add_argument("part", nargs="*", default=["start", "memory", "processor", "series"])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(args.python, Path(folder))
        bench.cpu_of("import watchkeeper.cli.commands.run, watchkeeper.web.app, sqlite_utils")
        parts: dict[str, Callable[[], None]] = {
            "start": lambda: start(bench, args.rounds),
            "memory": lambda: memory(bench, 10),
            "processor": lambda: processor(bench, args.seconds),
            "series": lambda: series(bench, args.seconds),
            "growth": lambda: growth(bench, args.hours),
        }
        for part in args.part:
            parts[part]()


if __name__ == "__main__":
    main()
