"""A real daemon and a real server: set up by the command, copied, interrupted, continued."""

import signal
import sqlite3
import urllib.request
from functools import partial
from pathlib import Path

import pytest

from tests.archive.copying import initialised
from tests.support.daemon import Daemon, base
from tests.support.postgres import server
from tests.support.waiting import until


def samples_of(path: Path) -> set[tuple[object, ...]]:
    """What the host has."""
    conn = sqlite3.connect(path)
    try:
        return set(conn.execute("SELECT key, at_ms, value FROM samples JOIN series ON id = series"))
    finally:
        conn.close()


@pytest.mark.slow
@pytest.mark.untraced
def test_a_daemon_copies_and_continues_after_the_server_was_away(tmp_path: Path) -> None:
    """The server is stopped, started, and killed while a daemon runs: all that the daemon stored is there once."""
    with server() as archive:
        address = initialised(archive, tmp_path, "gannet", "--page")["gannet"]
        assert not initialised(archive, tmp_path, "gannet")
        (tmp_path / "archive-url").write_text(address)
        config = tmp_path / "config.toml"
        config.write_text(
            f"{base(str(tmp_path))}\n[archive]\nurl = {{ file = \"{tmp_path}/archive-url\" }}\nevery = '1s'\n"
            "[[probe]]\nkind = 'memory'\nevery = '1s'\n"
        )
        daemon = Daemon.start(config)
        try:

            def copied() -> set[tuple[object, ...]]:
                text = "SELECT key, at_ms, value FROM watchkeeper.samples JOIN watchkeeper.series USING (host, series)"
                rows = archive.query(text)
                assert len(rows) == len(set(rows))
                return set(rows)

            def stored(count: int) -> bool:
                return len(samples_of(tmp_path / "watchkeeper.db")) >= count

            def after(count: int) -> bool:
                return len(copied()) >= count

            until("samples in the archive", lambda: after(5))
            for how in (signal.SIGINT, signal.SIGKILL):
                archive.stop(how)
                before = len(samples_of(tmp_path / "watchkeeper.db"))
                until("samples while the server is away", partial(stored, before + 5))
                with urllib.request.urlopen(daemon.address, timeout=60) as page:
                    assert page.status == 200
                archive.start()
                until("what was stored meanwhile", partial(after, before + 4))
            there = copied()
            newest = max(int(str(row[1])) for row in there)
            own = samples_of(tmp_path / "watchkeeper.db")
            assert there <= own
            steady = {row for row in own if int(str(row[1])) < newest - 2000}
            assert steady <= there
            assert archive.query("SELECT name, version <> '' FROM watchkeeper.hosts") == [("gannet", True)]
            assert daemon.stop() == 0
            last = "SELECT entry FROM watchkeeper.events ORDER BY at_us DESC, id DESC LIMIT 1"
            assert archive.query(last) == [("stop",)]
            assert copied() == samples_of(tmp_path / "watchkeeper.db")
        finally:
            if daemon.process.poll() is None:
                daemon.kill()
