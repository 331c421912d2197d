"""The database of a running daemon is deleted: it notifies, goes on, and the next start has everything."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.support.daemon import Daemon, base
from tests.support.receivers import Hook, Service
from tests.support.waiting import until

CONFIG = (
    base("{folder}/state")
    + """
[rules.not_answering]
warning = "1s"
alarm = "never"
[[probe]]
kind = "http"
name = "hide-hub"
url = "{service}"
every = "1s"
timeout = "1s"
[[notifier]]
kind = "webhook"
url = "{hook}"
"""
)


@pytest.mark.timeout(300)
def test_a_deleted_database_is_told_and_written_again(tmp_path: Path) -> None:
    """An alarm through the usual way, alerts as before, and the records of both times after a restart."""
    hook, service, folder = Hook(), Service(), tmp_path / "state"
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, hook=hook.url, service=service.url))
    folder.mkdir()

    def told() -> list[tuple[str, str]]:
        return [(each["data"]["quantity"], each["data"]["kind"]) for each in hook.events]

    with Daemon.start(config) as daemon:
        port = service.port
        service.close()
        until("the first alert", lambda: told() == [("answer", "raised")])
        for each in folder.glob("watchkeeper.db*"):
            if each.is_file():
                each.unlink()
        until("the alarm", lambda: ("database location", "raised") in told())
        service = Service(port)
        until("the end of the first alert", lambda: ("answer", "ended") in told())
        until("the end of the alarm", lambda: ("database location", "ended") in told())
        assert daemon.stop() == 0
    service.close()
    hook.close()
    alarm = next(each["data"] for each in hook.events if each["data"]["quantity"] == "database location")
    assert alarm["priority"] == "alarm"
    assert f"Its content was written to {folder}/watchkeeper.db" in alarm["body"].replace("\n", " ")
    with closing(sqlite3.connect(folder / "watchkeeper.db")) as opened:
        told_of = (
            "SELECT DISTINCT json_extract(message, '$.kind') || json_extract(message, '$.key.quantity') FROM outbox"
        )
        assert {kind for (kind,) in opened.execute(told_of)} == {
            "raisedanswer",
            "endedanswer",
            "raiseddatabase location",
            "endeddatabase location",
        }
        assert opened.execute("PRAGMA integrity_check").fetchone() == ("ok",)
