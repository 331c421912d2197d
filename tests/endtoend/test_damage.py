"""A damaged database at the start: the daemon begins all the same, and tells its keeper until the file is moved."""

import time
from pathlib import Path
from random import Random

import pytest

from tests.store import damage
from tests.store.material import asked
from tests.support.daemon import Daemon
from tests.support.receivers import Hook

CONFIG = """
watch_host = false
[host]
name = "gannet"
[page]
port = 0
[store]
path = "{folder}/watchkeeper.db"
[[probe]]
kind = "itself"
every = "1s"
[[notifier]]
kind = "webhook"
url = "http://127.0.0.1:{port}/"
"""


def _wait_for(hook: Hook, telling: str, quantity: str) -> str:
    """The body of the first such message about a quantity of watchkeeper itself."""
    end = time.monotonic() + 45
    while time.monotonic() < end:
        for each in hook.events:
            data = each["data"]
            if (data["telling"], data["quantity"]) == (telling, quantity):
                return f"{data['priority']} {data['headline']} {data['body']}"
        time.sleep(0.1)
    pytest.fail(f"nothing was {telling}: {hook.events}")


def test_a_damaged_database_is_told_as_an_alarm(tmp_path: Path) -> None:
    """Pages are overwritten while no daemon runs; the next one starts with what was left and raises an alarm that names
    the file; it ends when the file is gone.
    """
    path = tmp_path / "watchkeeper.db"
    damage.make(path)
    for table in ("samples", "journal"):
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
    assert asked(path, "SELECT count(*) FROM journal WHERE body LIKE '%the database was damaged%'") == [(1,)]
    assert asked(path, "SELECT count(*) > 10000 FROM samples") == [(1,)]
