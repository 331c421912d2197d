"""A real daemon sends a message with a link: a scanner follows it, then the operator, who acknowledges the alert."""

import json
import re
import stat
import urllib.parse
import urllib.request
from contextlib import closing
from pathlib import Path

from tests.support.daemon import Daemon
from tests.support.receivers import Hook, free_port
from tests.support.waiting import until

CONFIG = """
watch_host = false

[host]
name = "gannet"
time_zone = "UTC"

[page]
port = {port}
address = "http://127.0.0.1:{port}/"

[store]
path = "{folder}/state/watchkeeper.db"

[reminders]
warning = "2s"

[rules.not_reporting]
intervals = 300

[rules.not_answering]
warning = "1s"
alarm = "never"

[[probe]]
kind = "http"
name = "hide-hub"
url = "http://127.0.0.1:{nobody}/"
every = "1s"
timeout = "1s"

[[notifier]]
kind = "webhook"
url = "{hook}"
"""


def asked(url: str, form: dict[str, str] | None = None) -> str:
    """The page's answer; with a form, sent by POST."""
    data = urllib.parse.urlencode(form).encode() if form else None
    with urllib.request.urlopen(url, data, timeout=60) as answer:
        text: str = answer.read().decode()
    return text


def test_an_alert_is_acknowledged_from_its_message(tmp_path: Path) -> None:
    """Opening the link changes nothing; its form does, once. The key is in the state folder, for its owner only."""
    port = free_port()
    with closing(Hook()) as hook:
        config = tmp_path / "config.toml"
        config.write_text(CONFIG.format(port=port, folder=tmp_path, nobody=free_port(), hook=hook.url))
        with Daemon.start(config) as daemon:

            def states() -> list[str]:
                found = json.loads(asked(f"{daemon.address}api/v1/raised"))["items"]
                return [each["state"] for each in found if each["concern"] == "not_answering"]

            event = until("the message", lambda: hook.events and hook.events[0])["data"]
            assert (event["kind"], event["subject"]) == ("raised", "service hide-hub")
            assert f"Acknowledge it here: {event['link']}" in event["body"]
            pages = [asked(event["link"]) for _ in range(3)]
            assert states() == ["active"]
            sealed = re.search(r'name="pass" value="([^"]+)"', pages[-1])
            assert sealed
            said = asked(f"http://127.0.0.1:{port}/acknowledge", {"pass": sealed[1]})
            assert "service hide-hub: acknowledged." in said
            assert until("the acknowledgement", lambda: states() == ["acknowledged"])
            assert "This alert is acknowledged." in asked(event["link"])
    assert stat.S_IMODE((tmp_path / "state" / "acknowledge.key").stat().st_mode) == 0o600
