"""A file system that fills and then stops: a real daemon on a tmpfs says when it stopped, and promises nothing more."""

import json
import subprocess
import time
import urllib.request
from pathlib import Path
from typing import Any

from tests.support.daemon import Daemon, base, command
from tests.support.receivers import Hook
from tests.support.station import seen_by, start_on_tmpfs
from tests.support.waiting import until

CONFIG = (
    base("{folder}")
    + """
[rules.full]
off_delay = "2s"
[[probe]]
kind = "filesystems"
only = ["{disk}"]
every = "1s"
[[notifier]]
kind = "webhook"
url = "{hook}"
"""
)


def space(daemon: Daemon) -> dict[str, Any] | None:
    """The finding about the space of the file system; None before there is one."""
    with urllib.request.urlopen(f"{daemon.address}api/v1/findings", timeout=30) as answer:
        found = json.load(answer)["items"]
    return next((each for each in found if (each["quantity"], each["concern"]) == ("space", "full")), None)


def test_growth_that_has_stopped_is_seen_and_said(tmp_path: Path) -> None:
    """An alert while it fills; within seconds after it stopped no date and no rate, and the end says what happened."""
    disk, config, hook = tmp_path / "disk", tmp_path / "config.toml", Hook()
    config.write_text(CONFIG.format(folder=tmp_path, disk=disk, hook=hook.url))
    daemon = Daemon(start_on_tmpfs(disk, "256m", command(config), stdout=subprocess.PIPE))
    try:
        with (seen_by(daemon.process, disk) / "film").open("ab", buffering=0) as film:

            def raised() -> bool:
                film.write(bytes(2**20))
                time.sleep(0.3)  # the pace of the growth
                return any(each["data"]["kind"] == "raised" for each in hook.events)

            until("an alert", raised, 60)
        stopped_at = time.time()
        found = until("the stop", lambda: (each := space(daemon)) and each["forecast"]["stopped_at"] and each)
        assert (found["expected_at"], found["forecast"]["growth_per_day"]) == (None, None)
        assert found["forecast"]["no_date_reason"] == "not filling"
        until("the end", lambda: [each for each in hook.events if each["data"]["kind"] == "ended"])
        ended = hook.events[-1]["data"]
        assert "stopped growing at " in ended["headline"]
        assert "growing" not in ended["body"].replace("stopped growing", "")
        said = time.mktime(time.strptime(found["forecast"]["stopped_at"][:19], "%Y-%m-%dT%H:%M:%S")) - time.timezone
        assert abs(said - stopped_at) < 10
        page = urllib.request.urlopen(daemon.address, timeout=30).read().decode()
        assert "stopped growing at " in page
    finally:
        daemon.kill()
        hook.close()
