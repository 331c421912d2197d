"""What a restart keeps: the daemon is killed with a message in its outbox and an active alert."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from tests.support.daemon import Daemon, base
from tests.support.receivers import Hook, free_port

pytestmark = pytest.mark.untraced

CONFIG = (
    base()
    + """
[rules.not_answering]
warning = "1s"
[[probe]]
kind = "http"
name = "hide-hub"
url = "http://127.0.0.1:{nobody}/"
every = "1s"
timeout = "1s"
[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:{port}/"
"""
)


def test_a_message_outlives_a_kill_and_is_told_once(tmp_path: Path) -> None:
    """With no receiver the message waits; after SIGKILL and a new start it arrives once; nothing is raised again."""
    port = free_port()
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, nobody=free_port(), port=port))
    database, waiting = tmp_path / "watchkeeper.db", "SELECT count(*) FROM outbox WHERE state = 'waiting'"
    with Daemon.start(config) as first:
        # Deferred at least once: the receiver is not there.
        _until(lambda: _asked(database, f"{waiting} AND attempts > 0") == 1, "the message that waits")
        first.kill()
    assert _asked(database, waiting) == 1
    with closing(Hook(port)) as hook, Daemon.start(config) as second:
        _until(lambda: bool(hook.events), "the message")
        before = _asked(database, "SELECT count(*) FROM samples")
        _until(lambda: _asked(database, "SELECT count(*) FROM samples") >= before + 3, "three more looks")
        _until(lambda: _asked(database, waiting) == 0, "that nothing waits")
        assert [(e["data"]["kind"], e["data"]["concern"]) for e in hook.events] == [("raised", "not_answering")]
        assert second.stop() == 0


LOOKING = """
watch_host = false
[host]
name = "gannet"
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
[[probe]]
kind = "command"
name = "guests"
run = ["/bin/sh", "{folder}/look"]
every = "2s"
timeout = "10s"
[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:{port}/"
"""

LOOK = """
ok=true reason=
[ ! -e "$0.gone" ] || ok=false reason=gone
: >"$0.begun"
[ ! -e "$0.gone" ] || sleep 2
printf '{"kind": "condition", "subject": "guest hide-hub", "quantity": "state", "ok": %s, "reason": "%s"}\\n' \\
    $ok "$reason"
"""


def test_what_a_look_sees_while_a_stop_is_asked_for_is_not_told(tmp_path: Path) -> None:
    """A host that shuts down stops its guests in parallel with the daemon: a run in progress then sees them gone."""
    hook = Hook()
    (tmp_path / "look").write_text(LOOK)
    config = tmp_path / "config.toml"
    config.write_text(LOOKING.format(folder=tmp_path, port=hook.port))
    begun = tmp_path / "look.begun"
    with Daemon.start(config) as daemon:
        _until(begun.exists, "the look")
        (tmp_path / "look.gone").touch()
        begun.unlink()
        _until(begun.exists, "the look that sees it gone")
        assert daemon.stop() == 0
    assert hook.events == []
    with Daemon.start(config):
        _until(lambda: bool(hook.events), "the message")
    assert [each["data"]["kind"] for each in hook.events] == ["raised"]
    hook.close()


def _until(there: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + 90
    while not there():
        assert time.monotonic() < end, f"{what} did not come"
        time.sleep(0.05)


def _asked(database: Path, sql: str) -> int:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=5)) as conn:
        return int(conn.execute(sql).fetchone()[0])
