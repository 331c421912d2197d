"""The invariant of message ids, under kills, a disk that becomes full, and receivers that refuse, all at random.

An id has one content, in whatever run of the daemon it is sent and whether or not a receiver takes it; every thread
that was raised is ended; nothing that was to be sent is lost. The moments are drawn with a seed. MOMENTS in the
environment sets how many kills (1,000 for the full test); without it there are as many as fit into a run of all tests.
"""

import json
import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from random import Random
from typing import Any

import pytest

from tests.support.daemon import Daemon, base, command
from tests.support.station import TinyDisk, tiny_disk

pytestmark = pytest.mark.untraced

MOMENTS = int(os.environ.get("MOMENTS", "12"))
SEED = int(os.environ.get("SEED", "20261130"))
SIZE = f"{12 + MOMENTS // 8}m"
"""Room for what the kills leave in the database, so that the disk is full only while it is filled."""
JOBS = 6
LONGEST_LIFE_S = 4.0
CALM_S = 240.0
"""How long the last run may take until everything has been sent: longer than the longest wait after a refusal then."""

CONFIG = (
    base("{state}")
    + """
[rules.overdue]
late_alarm = "never"
[rules.chattering]
raises = 1000
[grouping]
flood = 10000
"""
)

NOTIFIER = """
[[notifier]]
kind = "webhook"
name = "{name}"
url = "{url}"
timeout = "2s"
"""

PROBE = """
[[probe]]
kind = "snapshots"
name = "job{n}"
files = ["{folder}/job{n}.img"]
every = "1s"
max_age = "2s"
"""

Sent = tuple[str, dict[str, Any]]


class Unreliable:
    """A webhook receiver that refuses, cuts or accepts at random, and keeps everything that it was sent."""

    def __init__(self, chance: Random) -> None:
        self.sent: list[Sent] = []
        self.taken: list[Sent] = []
        self.calm = False
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                event = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                each = event["id"], event["data"]
                outer.sent.append(each)
                how = "take" if outer.calm else chance.choices(HOW, WEIGHTS)[0]
                if how in ("take", "cut after"):
                    outer.taken.append(each)
                if how.startswith("cut"):
                    self.connection.close()
                    return
                self.send_response({"take": 204, "busy": 503, "wait": 429}[how])
                if how == "wait":
                    self.send_header("Retry-After", "1")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

            def handle(self) -> None:
                with suppress(OSError, ValueError):  # the daemon was killed, or the connection cut
                    super().handle()

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}/"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(30)


HOW = ("take", "busy", "wait", "cut", "cut after")
WEIGHTS = (70, 5, 15, 5, 5)


class Turns(threading.Thread):
    """Snapshots are taken now and then, and the disk becomes full and free again."""

    def __init__(self, folder: Path, disk: TinyDisk, chance: Random) -> None:
        super().__init__(daemon=True)
        self.files = [folder / f"job{n}.img" for n in range(JOBS)]
        self.disk, self.chance, self.stopped, self.fills = disk, chance, threading.Event(), 0
        self.touch()

    def touch(self) -> None:
        for each in self.files:
            each.write_bytes(b"disk")

    def run(self) -> None:
        full, next_s = False, time.monotonic() + 2
        while not self.stopped.wait(self.chance.uniform(0.1, 0.6)):
            self.chance.choice(self.files).write_bytes(b"disk")
            if time.monotonic() >= next_s:
                full = not full
                if full:
                    self.disk.fill()
                    self.fills += 1
                else:
                    self.disk.free()
                next_s = time.monotonic() + self.chance.uniform(0.5, 6.0 if full else 4.0)
        self.disk.free()


@contextmanager
def turns(folder: Path, disk: TinyDisk, chance: Random) -> Iterator[Turns]:
    """Running turns."""
    folder.mkdir()
    made = Turns(folder, disk, chance)
    made.start()
    try:
        yield made
    finally:
        made.stopped.set()
        made.join(30)


def live(words: list[str], disk: TinyDisk, life_s: float) -> bool:
    """One run of the daemon, killed after a time; False where it could not start, as on a full disk."""
    process = subprocess.Popen(disk.within(words), stdout=subprocess.PIPE, text=True)
    try:
        daemon = Daemon(process)
    except AssertionError:
        return False
    time.sleep(life_s)
    daemon.kill()
    return True


def calm(words: list[str], disk: TinyDisk, taken: Turns) -> None:
    """The last run: everything is sound, every message is delivered, the daemon is stopped."""
    taken.stopped.set()
    taken.join(30)
    database = disk.seen / "watchkeeper.db"
    # Not the one about the database itself: it chatters here, and ends only after it has been calm for long.
    standing = "SELECT key FROM alerts WHERE json_extract(body, '$.priority') IS NOT NULL AND key NOT LIKE '%database%'"
    waiting = "SELECT notifier, due_at_us FROM outbox WHERE state = 'waiting'"
    with Daemon(subprocess.Popen(disk.within(words), stdout=subprocess.PIPE, text=True)) as daemon:
        end = time.monotonic() + CALM_S
        while left := while_it_runs(database, standing, waiting):
            assert time.monotonic() < end, f"left: {left[:10]}"
            taken.touch()
            time.sleep(0.5)
        assert daemon.stop() == 0


def while_it_runs(database: Path, *queries: str) -> list[Any]:
    """The rows of queries while the daemon writes: a copy of two files may then be of two moments, and be no database.

    Whether the database itself is whole is asked once it is stopped.
    """
    try:
        return [row for sql in queries for row in ask(database, sql)]
    except sqlite3.DatabaseError as error:
        return [f"the copy: {error}"]


def ask(database: Path, sql: str) -> list[Any]:
    """Query the database from outside of its mount namespace: from a copy, as SQLite follows its path."""
    copy = Path("/tmp") / f"one-content-{os.getpid()}.db"
    try:
        for tail in ("", "-wal"):
            with suppress(FileNotFoundError):
                copy.with_name(copy.name + tail).write_bytes(database.with_name(database.name + tail).read_bytes())
        with closing(sqlite3.connect(copy)) as opened:
            return opened.execute(sql).fetchall()
    finally:
        for tail in ("", "-wal", "-shm"):
            copy.with_name(copy.name + tail).unlink(missing_ok=True)


@pytest.mark.slow
@pytest.mark.timeout(900 + 30 * MOMENTS)
def test_an_id_has_one_content_whatever_happens(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No id with two contents, no thread that was raised and not ended, nothing that was to be sent and was not."""
    chance = Random(SEED)
    receivers = {name: Unreliable(Random(SEED + n)) for n, name in enumerate(("wall", "desk"))}
    config, state = tmp_path / "config.toml", tmp_path / "state"
    notifiers = "".join(NOTIFIER.format(name=name, url=each.url) for name, each in receivers.items())
    probes = "".join(PROBE.format(folder=tmp_path / "snapshots", n=n) for n in range(JOBS))
    config.write_text(CONFIG.format(state=state) + notifiers + probes)
    words, started = command(config), 0
    with tiny_disk(state, SIZE) as disk, turns(tmp_path / "snapshots", disk, Random(SEED)) as taken:
        for _ in range(MOMENTS):
            started += live(words, disk, chance.uniform(0.0, LONGEST_LIFE_S))
        for each in receivers.values():
            each.calm = True
        calm(words, disk, taken)
        assert ask(disk.seen / "watchkeeper.db", "PRAGMA integrity_check") == [("ok",)]
    for each in receivers.values():
        each.close()
    said = [_judged(name, each) for name, each in receivers.items()]
    with capsys.disabled():
        sys.stdout.write(f"\n{MOMENTS} kills ({started} starts), {taken.fills} times full; {'; '.join(said)}\n")
    assert taken.fills > MOMENTS / 10


def _judged(name: str, receiver: Unreliable) -> str:
    contents = defaultdict[str, set[str]](set)
    for number, data in receiver.sent:
        contents[number].add(json.dumps(data, sort_keys=True))
    several = {number: texts for number, texts in contents.items() if len(texts) > 1}
    assert not several, f"{name}: ids with several contents: {several}"
    taken = {number for number, _ in receiver.taken}
    # A message that could not leave until it was no longer true is sent as another one, in the past tense.
    never = contents.keys() - taken - {number.removesuffix("-late") for number in taken}
    assert not never, f"{name}: never taken: {never}"
    threads = defaultdict[str, list[str]](list)
    jobs = {number: data for number, data in receiver.taken if data["subject"] != "watchkeeper"}
    for number, data in jobs.items():
        threads[number.removesuffix("-late").rsplit("-", 1)[0]].append(data["kind"])
    open_ = {thread: kinds for thread, kinds in threads.items() if "raised" in kinds and "ended" not in kinds}
    assert not open_, f"{name}: raised and never ended: {open_}"
    twice = len(receiver.taken) - len(contents)
    return f"{name}: {len(receiver.sent)} tries, {len(contents)} ids, {len(threads)} threads, {twice} taken again"
