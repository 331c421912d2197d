"""A damaged database at the start: the daemon starts anyway, and alerts the operator until the file is moved.

A damaged row is handled the same way, and stops nothing else.
"""

import asyncio
import subprocess
import sys
import time
import urllib.request
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from tests.store import damage, harm
from tests.store.material import SKERRY, START, alert, asked, delivery, line, samples
from tests.support.daemon import Daemon, base
from tests.support.receivers import Hook
from watchkeeper.model.records import Commit
from watchkeeper.store import Store

pytestmark = pytest.mark.untraced

CONFIG = (
    base()
    + """
[[probe]]
kind = "self-check"
every = "1s"
[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:{port}/"
"""
)


def _wait_for(hook: Hook, telling: str, quantity: str) -> str:
    """The text of the first such message about a quantity of watchkeeper itself, its lines joined."""
    end = time.monotonic() + 45
    while time.monotonic() < end:
        for each in hook.events:
            data = each["data"]
            if (data["kind"], data["quantity"]) == (telling, quantity):
                return " ".join(f"{data['priority']} {data['headline']} {data['body']}".split())
        time.sleep(0.1)
    pytest.fail(f"nothing was {telling}: {hook.events}")


def test_a_damaged_database_is_told_as_an_alarm(tmp_path: Path) -> None:
    """A start with a damaged database raises an alarm.

    Pages are overwritten while no daemon runs; the next one starts with what is left and raises an alarm that names the
    file; it ends when the file is gone.
    """
    path = tmp_path / "watchkeeper.db"
    damage.make(path)
    for table in ("samples", "events"):
        damage.overwrite(path, damage.pages(path, table)[-1], Random(1))
    hook = Hook(0)
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, port=hook.port))
    with Daemon.start(config) as daemon:
        (aside,) = (each for each in tmp_path.iterdir() if ".damaged-" in each.name and each.name.endswith("Z"))
        told = _wait_for(hook, "raised", "database file")
        assert told.startswith("alarm ")
        assert str(aside) in told
        aside.rename(tmp_path / "looked at")
        _wait_for(hook, "ended", "database file")
        assert daemon.stop() == 0
    hook.close()
    assert asked(path, "SELECT count(*) FROM events WHERE body LIKE '%the database was damaged%'") == [(1,)]
    assert asked(path, "SELECT count(*) > 10000 FROM samples") == [(1,)]


def _waiting(path: Path) -> None:
    """A database with two messages that wait for the webhook, and some lines in its event log."""
    first, second = (delivery(f"skerry-{n}", notifier="webhook", due_at=START) for n in (1, 2))
    second = replace(second, message=replace(second.message, headline="pool skerry has little room", body="Look."))

    async def fill() -> None:
        async with await Store.open(path) as store:
            await store.commit(samples(5))
            lines = tuple(line(f"line {n}") for n in range(5))
            await store.commit(Commit(alerts=(alert(),), events=lines, deliveries=(first, second)))

    asyncio.run(fill())


def test_one_flipped_bit_in_a_waiting_message(tmp_path: Path) -> None:
    """One flipped bit costs one message, and is reported.

    SQLite's own checks do not detect it. The messages behind it are delivered, an alarm says which message may be
    missing, and the pages and commands answer although a line of the event log is damaged as well.
    """
    path = tmp_path / "watchkeeper.db"
    _waiting(path)
    assert harm.flip(path, "outbox", b"pool skerry is full in 2 days", 3, 7)
    assert harm.flip(path, "events", b"line 2", 0, 7)
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]
    hook = Hook(0)
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, port=hook.port))
    command = [sys.executable, "-m", "watchkeeper", "--config", str(config), "events"]
    with Daemon.start(config) as daemon:
        answers = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
        assert "line 3" in answers.stdout
        told = _wait_for(hook, "raised", "stored rows")
        assert told.startswith("alarm ")
        assert f"a message for webhook about {SKERRY}" in told
        (series,) = asked(path, "SELECT id FROM series WHERE key LIKE '%skerry%'")
        for page in ("/events", "/api/v1/events", "/events.atom", f"/subjects/{series[0]}"):
            with urllib.request.urlopen(daemon.address.rstrip("/") + page, timeout=60) as answer:
                assert answer.status == 200
                assert "line 3" in answer.read().decode()
        assert daemon.stop() == 0
    hook.close()
    got = [each["data"]["headline"] for each in hook.events]
    assert "pool skerry has little room" in got
    assert not any("full in 2 days" in each for each in got)
    moved = asked(path, "SELECT source FROM quarantine ORDER BY source")
    assert moved == [("events",), ("outbox",)]
    assert asked(path, "SELECT count(*) FROM outbox WHERE state = 'waiting' AND notifier = '\"webhook\"'") == [(0,)]


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("alerts", "body", "'{'"),
        ("alerts", "body", "CAST(x'ff' AS TEXT)"),
        ("latest", "observation", "CAST(x'ff' AS TEXT)"),
        ("series", "key", "CAST(x'ff' AS TEXT)"),
        ("store_state", "last_commit_at_us", "9223372036854775807"),
        ("outbox", "state", "'waitinh'"),
    ],
)
def test_one_row_that_cannot_be_read_does_not_keep_it_from_starting(
    tmp_path: Path, table: str, column: str, value: str
) -> None:
    """Each of these stopped the daemon, or prevented its start."""
    path = tmp_path / "watchkeeper.db"
    _waiting(path)
    harm.set_value(path, table, column, "TRUE", value)
    hook = Hook(0)
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, port=hook.port))
    with Daemon.start(config) as daemon:
        assert _wait_for(hook, "raised", "stored rows")
        assert daemon.stop() == 0
    hook.close()
    assert (table,) in asked(path, "SELECT source FROM quarantine")
