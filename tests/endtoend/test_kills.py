"""The real daemon is killed at random moments while alerts are raised, end and are notified; nothing is lost.

The moments are drawn with a seed. KILLS in the environment sets how many (200 for the full test, which takes a quarter
of an hour); without it there are as many as fit into a run of all tests.
"""

import os
import sqlite3
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from random import Random
from typing import Any

import pytest

from tests.support.daemon import Daemon, base
from tests.support.receivers import Hook, Mailbox

pytestmark = pytest.mark.untraced

KILLS = int(os.environ.get("KILLS", "25"))
SEED = 20260301
JOBS = 8
LONGEST_LIFE_S = 2.5

CONFIG = (
    base()
    + """
[rules.overdue]
late_alarm = "never"
[rules.chattering]
raises = 1000
[grouping]
flood = 10000
[[notifier]]
kind = "webhook"
url = "{hook}"
[[notifier]]
kind = "mail"
server = "127.0.0.1"
port = {smtp}
security = "none"
from = "gannet@example.org"
to = ["keeper@example.org"]
"""
)

PROBE = """
[[probe]]
kind = "snapshots"
name = "job{n}"
files = ["{folder}/snapshots/job{n}.img"]
every = "1s"
max_age = "2s"
"""


class Jobs(threading.Thread):
    """Takes a snapshot for each job now and then: earlier than it is due, or so late that it is reported."""

    def __init__(self, folder: Path, chance: Random) -> None:
        super().__init__(daemon=True)
        self.files = [folder / f"job{n}.img" for n in range(JOBS)]
        self.chance, self.stopped = chance, threading.Event()
        folder.mkdir()
        self.touch(self.files)

    def touch(self, files: list[Path]) -> None:
        for file in files:
            file.write_bytes(b"disk")

    def run(self) -> None:
        while not self.stopped.wait(self.chance.uniform(0.1, 0.6)):
            self.touch([self.chance.choice(self.files)])


@contextmanager
def jobs(folder: Path) -> Iterator[Jobs]:
    """Running jobs."""
    made = Jobs(folder, Random(SEED))
    made.start()
    try:
        yield made
    finally:
        made.stopped.set()
        made.join(30)


def ask(database: Path, sql: str) -> list[Any]:
    """Query the database, whether or not a daemon holds it."""
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as opened:
        return opened.execute(sql).fetchall()


def committed(database: Path) -> dict[str, set[Any]]:
    """What is in the database now and must stay: samples, event log, and messages by their text."""
    return {
        "samples": set(ask(database, "SELECT series, at_ms FROM samples")),
        "journal": set(ask(database, "SELECT id, body FROM events")),
        "outbox": set(ask(database, "SELECT id, notifier, message FROM outbox")),
    }


def kill_at_random(config: Path, database: Path, chance: Random) -> dict[str, set[Any]]:
    """One daemon run, from its start to a random moment; returns what was committed just before its end."""
    with Daemon.start(config) as daemon:
        time.sleep(chance.uniform(0.0, LONGEST_LIFE_S))
        before = committed(database)
        daemon.kill()
    return before


def drained(database: Path) -> bool:
    """Whether no message is left to deliver."""
    return not ask(database, "SELECT 1 FROM outbox WHERE state = 'waiting'")


def last_life(config: Path, database: Path, taken: Jobs) -> None:
    """End cleanly: every job runs once more, every message is delivered, the daemon is stopped normally."""
    taken.stopped.set()
    with Daemon.start(config) as daemon:
        end = time.monotonic() + 60
        standing = "SELECT 1 FROM alerts WHERE json_extract(body, '$.priority') IS NOT NULL"
        while ask(database, standing) or not drained(database):
            assert time.monotonic() < end, "what stood did not end, or was not told"
            taken.touch(taken.files)
            time.sleep(0.5)
        assert daemon.stop() == 0


@pytest.mark.timeout(2400)  # 25 starts; on a machine with a load of 16 they took 905 s
def test_nothing_is_lost_by_kills_at_random_moments(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Kills at random moments lose nothing.

    No sample, transition or message that was committed is missing after any kill, the database is OK each time, no id
    is seen with two contents, each message arrives at least once, and at most a tenth of them arrive twice.
    """
    hook, mailbox, chance = Hook(), Mailbox(), Random(SEED)
    config, database = tmp_path / "config.toml", tmp_path / "watchkeeper.db"
    probes = "".join(PROBE.format(folder=tmp_path, n=n) for n in range(JOBS))
    config.write_text(CONFIG.format(folder=tmp_path, hook=hook.url, smtp=mailbox.port) + probes)
    with jobs(tmp_path / "snapshots") as taken:
        for _ in range(KILLS):
            before = kill_at_random(config, database, chance)
            assert ask(database, "PRAGMA integrity_check") == [("ok",)]
            after = committed(database)
            assert {what: before[what] - after[what] for what in before} == {what: set() for what in before}
        last_life(config, database, taken)
    hook.close()
    mailbox.close()
    events = [(event["id"], event["data"]) for event in hook.events]
    mails = [(str(mail["Message-ID"]), f"{mail['Subject']}\n{mail.get_content()}") for mail in mailbox.mails]
    webhook, mail = (twice(each) for each in (events, mails))
    _told_is_what_was_stored(database, {number for number, _ in events}, {number for number, _ in mails})
    _raises_and_ends_alternate(database)
    with capsys.disabled():
        (transitions,) = ask(database, "SELECT count(*) FROM events WHERE entry = 'transition'")
        sys.stdout.write(f"\n{KILLS} kills, {transitions[0]} transitions; webhook {webhook}; mail {mail}\n")
    assert transitions[0] > 2 * KILLS


def twice(came: list[tuple[str, Any]]) -> str:
    """Check that no id arrived with two contents; report how many arrived more than once."""
    contents = dict(came)
    assert all(contents[number] == content for number, content in came)
    counts = Counter(number for number, _ in came)
    more = sum(count > 1 for count in counts.values())
    assert more <= len(counts) / 10
    return f"{len(counts)} messages, {more} of them more than once"


def _told_is_what_was_stored(database: Path, events: set[str], mails: set[str]) -> None:
    """Each message of the outbox was delivered to both receivers, and nothing else; each transition has its message."""
    rows = ask(database, "SELECT json_extract(message, '$.id'), state FROM outbox WHERE notifier LIKE '%webhook%'")
    assert {number for number, _ in rows} == events
    assert {state for _, state in rows} == {"delivered"}
    assert len(rows) == len(events) == len(mails)
    assert all(any(number in name for name in mails) for number in events)
    (told,) = ask(database, "SELECT count(*) FROM events WHERE json_extract(body, '$.details.event') <> 'lapse'")
    assert told == (len(rows),)


def _raises_and_ends_alternate(database: Path) -> None:
    """In the event log and in the messages: no second raise without an end, in whichever daemon run it happened."""
    lines = ask(
        database,
        "SELECT key, json_extract(body, '$.details.event') FROM events WHERE entry = 'transition' ORDER BY id",
    )
    messages = ask(
        database,
        "SELECT json_extract(message, '$.key.subject') || json_extract(message, '$.concern'),"
        " json_extract(message, '$.kind') FROM outbox WHERE notifier LIKE '%webhook%' ORDER BY id",
    )
    for sequence, begin, end in ((lines, "raise", "clear"), (messages, "raised", "ended")):
        for key in {key for key, _ in sequence}:
            words = [word for each, word in sequence if each == key and word in (begin, end)]
            assert words == [begin, end] * (len(words) // 2), key
