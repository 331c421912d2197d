"""What an operator asks and does, on a real daemon with a real mail server, a real webhook and a real browser."""

import json
import os
import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from playwright.sync_api import sync_playwright

from tests.support.daemon import Daemon, base, command
from tests.support.needs import need
from tests.support.receivers import Hook, Mailbox, Service
from tests.support.waiting import until
from tests.web.conftest import ARGUMENTS, CHROMIUM

CONFIG = (
    base("{folder}/state")
    + """
[rules.not_answering]
warning = "1s"
alarm = "1h"
[[probe]]
kind = "tcp"
name = "hide-hub"
host = "127.0.0.1"
port = {service}
every = "1s"
[[notifier]]
kind = "mail"
name = "mail"
server = "127.0.0.1"
port = {mail}
security = "none"
from = "watchkeeper@gannet.example"
to = ["operator@gannet.example"]
[[notifier]]
kind = "webhook"
name = "urgent"
url = "{hook}"
at_least = "alarm"
"""
)


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """A real mail server."""
    made = Mailbox()
    yield made
    made.close()


@pytest.fixture
def hook() -> Iterator[Hook]:
    """A real webhook receiver."""
    made = Hook()
    yield made
    made.close()


@pytest.fixture
def service() -> Iterator[Service]:
    """A real service."""
    made = Service()
    yield made
    if made.running:
        made.close()


@pytest.fixture
def config(tmp_path: Path, mailbox: Mailbox, hook: Hook, service: Service) -> Path:
    """One service; mail for all, a webhook for alarms."""
    path = tmp_path / "config.toml"
    path.write_text(CONFIG.format(folder=tmp_path, mail=mailbox.port, hook=hook.url, service=service.port))
    return path


def run(config: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """A command with this configuration; its output in one line, as it is wrapped."""
    argv = [sys.executable, "-m", "watchkeeper", "--config", str(config), *words]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)
    return subprocess.CompletedProcess(
        argv, done.returncode, " ".join(done.stdout.split()), " ".join(done.stderr.split())
    )


def get(daemon: Daemon, path: str) -> Any:
    """An answer of the page or the API."""
    with urllib.request.urlopen(f"{daemon.address}{path}", timeout=60) as answer:
        text = answer.read().decode()
        return json.loads(text) if path.startswith("api") else text


def subjects(daemon: Daemon) -> list[tuple[str, str]]:
    """What is recorded."""
    return [(each["subject"], each["quantity"]) for each in get(daemon, "api/v1/quantities")["items"]]


def test_why_it_was_or_was_not_sent(config: Path, mailbox: Mailbox, hook: Hook, service: Service) -> None:
    """By the command, the API and the page; also when the daemon has stopped."""
    service.close()
    with Daemon.start(config) as daemon:
        until("the mail", lambda: mailbox.mails)
        until("its line", lambda: "mail: sent " in run(config, "explain", "hide-hub").stdout)
        found = get(daemon, f"api/v1/decisions?subject={quote('service hide-hub')}")["items"]
        assert [each["not_sent_because"] for each in found[-1]["notifiers"]] == [None, 'at_least is "alarm"']
        assert "Why it was or was not sent" in get(daemon, f"subjects/{found[-1]['quantity_id']}")
        assert daemon.stop() == 0
    assert hook.events == []
    said = run(config, "explain", "hide-hub").stdout
    for part in (
        "limits: warning after 1 s, alarm after 1 h",
        "calls for a warning",
        "alert active (warning)",
        "What to do answer ",
        'urgent caution, warning: not sent: at_least is "alarm"; alarm: sent at once',
        "message: service hide-hub not answering",
        'urgent: not sent: at_least is "alarm"',
    ):
        assert part in said
    unknown = run(config, "explain", "service hide-hup")
    assert (unknown.returncode, 'did you mean "service hide-hub"?' in unknown.stderr) == (64, True)


def test_a_simulated_alert_takes_the_real_way(config: Path, mailbox: Mailbox, hook: Hook) -> None:
    """Marked as a test in mail, webhook, event log and page; ended by itself; nothing is recorded."""
    with Daemon.start(config) as daemon:
        until("a reading", lambda: get(daemon, "api/v1/quantities")["items"])
        before = subjects(daemon)
        said = run(config, "simulate", "hide-hub", "alarm", "--for", "5s")
        assert said.stdout.startswith("A simulated alarm about service hide-hub"), said.stderr
        (event,) = until("the webhook's", lambda: hook.events[:1])
        assert (event["type"], event["data"]["test"]) == ("watchkeeper.test", True)
        assert event["data"]["headline"].startswith("TEST: service hide-hub simulated alert")
        assert "TEST: service hide-hub" in get(daemon, "")
        until("its end", lambda: len(hook.events) == 2)
        mails = [each for each in mailbox.mails if "TEST: " in str(each["Subject"])]
        until("both mails", lambda: len([e for e in mailbox.mails if "TEST: " in str(e["Subject"])]) == 2)
        assert "This is a test" in mails[0].get_content()
        lines = [each["text"] for each in get(daemon, "api/v1/events")["items"]]
        assert any(each.startswith("TEST: service hide-hub simulated alert is over") for each in lines)
        assert subjects(daemon) == before
        status = get(daemon, "api/v1/status")
        assert [*status["active"], *status["rectified"]] == []
        assert "urgent: sent" in run(config, "explain", "service hide-hub").stdout
    assert run(config, "simulate", "hide-hub", "alarm", "--for", "2h").returncode == 64
    assert run(config, "simulate", "hide-hub", "alarm").returncode == 69


def around_now() -> str:
    """Quiet hours that last for hours more."""
    now = datetime.now(UTC)
    return f"{now - timedelta(hours=1):%H:00}-{now + timedelta(hours=3):%H:00}"


RECEIVERS = (
    ("calm", 'at_most = "warning"'),
    ("urgent", 'at_least = "alarm"'),
    ("daily", 'digest = "07:30"\ndigest_only = true'),
    ("other", 'subjects = ["pool *"]'),
    ("night", 'quiet_hours = ["{quiet}"]\nquiet_for = "warning"'),
)


def test_each_receiver_gets_what_it_wants(tmp_path: Path, mailbox: Mailbox) -> None:
    """A level passes two limits in percent: by priority, digest only, by subject, and with quiet hours."""
    number, config = tmp_path / "number", tmp_path / "config.toml"
    number.write_text("60")
    quiet = around_now()
    config.write_text(
        base(str(tmp_path))
        + f"""
[rules.used_share]
subjects = ["cistern"]
warning = "50 %"
alarm = "90 %"
[[probe]]
kind = "command"
name = "cistern"
run = ["/bin/cat", "{number}"]
format = "number"
capacity = 100
every = "1s"
"""
        + "".join(
            f'[[notifier]]\nkind = "mail"\nname = "{name}"\nserver = "127.0.0.1"\nport = {mailbox.port}\n'
            f'security = "none"\nfrom = "watchkeeper@gannet.example"\nto = ["{name}@gannet.example"]\n'
            f"{wants.format(quiet=quiet)}\n"
            for name, wants in RECEIVERS
        )
    )
    with Daemon.start(config) as daemon:
        until("the warning", lambda: mailbox.mails)
        until("what is held", lambda: "held for quiet hours" in run(config, "status").stdout)
        assert "held for quiet hours" in " ".join(get(daemon, "events").split())
        assert [str(each["To"]) for each in mailbox.mails] == ["calm@gannet.example"]
        assert "60 % used, your limit is 50 %" in str(mailbox.mails[0]["Subject"])
        number.write_text("95")
        until("the alarm", lambda: len(mailbox.mails) == 5)
        why = run(config, "explain", "cistern").stdout
    sent = [(str(each["To"]).partition("@")[0], "now an alarm" in str(each["Subject"])) for each in mailbox.mails]
    assert sorted(sent) == [("calm", False), ("calm", True), ("night", False), ("night", True), ("urgent", True)]
    assert sent.index(("night", False)) < sent.index(("night", True))
    assert "daily: not sent: digest_only is set" in why
    assert "other: not sent: none of its subjects fits: pool *" in why


def test_an_outage_has_its_true_times_over_restarts(config: Path, mailbox: Mailbox, service: Service) -> None:
    """The daemon restarts during the outage and again while its end is delayed: one outage, everywhere as it was."""
    config.write_text(config.read_text().replace('alarm = "1h"', 'alarm = "1h"\noff_delay = "10s"', 1))
    port = service.port
    service.close()
    with Daemon.start(config) as daemon:
        until("the mail", lambda: mailbox.mails)
        (began,) = [each["since"] for each in outages(daemon)]
        assert daemon.stop() == 0
    with Daemon.start(config) as daemon:
        again = Service(port)
        until("its end", lambda: [each for each in outages(daemon) if each["until"]])
        assert daemon.stop() == 0
    with Daemon.start(config) as daemon:
        until("the mail of the end", lambda: len(mailbox.mails) == 2)
        (seen,) = outages(daemon)
        quantity = get(daemon, "api/v1/availability")["items"][0]["quantity_id"]
        page = " ".join(get(daemon, f"subjects/{quantity}").split())
    again.close()
    times = [datetime.fromisoformat(seen[each]).astimezone(UTC) for each in ("since", "until")]
    assert seen["since"] == began
    text = " ".join(mailbox.mails[1].get_content().split())
    said = " to ".join(f"{each:%a} {each.day} {each:%b %H:%M:%S}" for each in times)
    assert f"It lasted from {said} (" in text
    assert said in page
    assert said in run(config, "availability", "hide-hub", "--since", "yesterday").stdout


def outages(daemon: Daemon) -> list[dict[str, Any]]:
    """The outages of the one service, as the API lists them."""
    return [each for service in get(daemon, "api/v1/availability")["items"] for each in service["outages"]]


def test_maintenance_sends_nothing_and_then_what_is_left(config: Path, mailbox: Mailbox, service: Service) -> None:
    """Also after a restart: it is observed, shown and listed; when it ends, what is still faulty is sent."""
    with Daemon.start(config) as daemon:
        until("a reading", lambda: get(daemon, "api/v1/quantities")["items"])
        said = run(config, "maintenance", "hide-hub", "1h", "new disk")
        assert said.stdout.startswith("Nothing is sent about service hide-hub until "), said.stderr
        service.close()
        until("its alert", lambda: [a for a in get(daemon, "api/v1/raised")["items"] if a["state"] == "active"])
        assert daemon.stop() == 0
    with Daemon.start(config) as daemon:
        (planned,) = get(daemon, "api/v1/maintenance")["items"]
        assert (planned["subject"], planned["reason"]) == ("service hide-hub", "new disk")
        assert "Maintenance, nothing is sent" in get(daemon, "")
        status = run(config, "status")
        assert (status.returncode, "new disk" in status.stdout) == (0, True), status.stdout
        assert "new disk" in run(config, "maintenance").stdout
        assert "no messages: maintenance until" in run(config, "explain", "service hide-hub").stdout
        assert mailbox.mails == []
        assert run(config, "maintenance", "hide-hub", "1s", "short").returncode == 0
        (mail,) = until("what is left", lambda: mailbox.mails)
        assert "service hide-hub not answering" in str(mail["Subject"])
        assert get(daemon, "api/v1/maintenance")["items"] == []
        lines = [each["text"] for each in get(daemon, "api/v1/events")["items"]]
        assert "maintenance of service hide-hub ended: its time is over" in lines
        assert any(each.endswith(": new disk") for each in lines)
    assert run(config, "maintenance", "hide-hub", "8d").returncode == 64
    assert run(config, "maintenance", "hide-hub").returncode == 64
    assert run(config, "maintenance", "hide-hub", "1h").returncode == 69


A_DAY = """
[rules.not_answering]
warning = "1s"
alarm = "1h"
[[probe]]
kind = "http"
name = "hide-hub"
url = "{service}"
every = "1s"
[[probe]]
kind = "command"
name = "battery"
run = ["/bin/cat", "{number}"]
format = "number"
quantity = "volts"
at_least = 11.8
every = "1s"
[[notifier]]
kind = "webhook"
name = "urgent"
url = "{hook}"
subjects = ["service *"]
[[notifier]]
kind = "mail"
name = "daily"
server = "127.0.0.1"
port = {mail}
security = "none"
from = "watchkeeper@gannet.example"
to = ["daily@gannet.example"]
digest = "07:30"
digest_only = true
[[notifier]]
kind = "mail"
name = "night"
server = "127.0.0.1"
port = {mail}
security = "none"
from = "watchkeeper@gannet.example"
to = ["night@gannet.example"]
quiet_hours = ["{quiet}"]
quiet_for = "warning"
"""


def in_a_browser(daemon: Daemon, *paths: str) -> list[str]:
    """What a phone shows of these pages; none is wider than its screen."""
    need(shutil.which(CHROMIUM), "Chromium is not installed (apt install chromium)")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 390, "height": 844})
        texts = []
        for path in paths:
            page.goto(f"{daemon.address}{path}")
            page.eval_on_selector_all("details", "all => all.forEach(each => each.open = true)")
            assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
            texts.append(" ".join(page.inner_text("body").split()))
        browser.close()
    return texts


@pytest.mark.browser
def test_a_day_in_the_browser_and_in_the_digest(tmp_path: Path, mailbox: Mailbox, hook: Hook, service: Service) -> None:
    """An outage that is over and a number below its limit: webhook, page on a phone, and the next morning's digest."""
    need(shutil.which("faketime"), "faketime is not installed")
    number, config, port = tmp_path / "volts", tmp_path / "config.toml", service.port
    number.write_text("12.4")
    config.write_text(
        base(str(tmp_path))
        + A_DAY.format(service=service.url, number=number, hook=hook.url, mail=mailbox.port, quiet=around_now())
    )
    with Daemon.start(config) as daemon:
        until("an answer", lambda: get(daemon, "api/v1/availability")["items"])
        service.close()
        until("the webhook's", lambda: hook.events)
        number.write_text("11.2")
        again = Service(port)
        until("its end", lambda: len(hook.events) == 2)
        until("the number", lambda: [a for a in get(daemon, "api/v1/raised")["items"] if a["subject"] == "battery"])
        ids = {(each["subject"], each["quantity"]): each["id"] for each in get(daemon, "api/v1/quantities")["items"]}
        pages = [f"subjects/{ids[each]}" for each in (("service hide-hub", "answer"), ("battery", "measured volts"))]
        status, hub, battery, events = in_a_browser(daemon, "", *pages, "events")
        (outage,) = outages(daemon)
        assert daemon.stop() == 0
    again.close()
    since = datetime.fromisoformat(outage["since"]).astimezone(UTC)
    began = f"{since:%a} {since.day} {since:%b %H:%M:%S}"
    assert f"{began} to " in hub
    assert "battery" in status
    assert "11.2, at least 11.8" in battery
    assert "at least 11.8" in battery.partition("History")[2]
    assert "full" not in battery.partition("History")[2].partition("Details")[0]
    assert "held for quiet hours" in events
    process = subprocess.Popen(command(config), stdout=subprocess.PIPE, text=True, env=a_day_later())
    with Daemon(process):
        until("the digest", lambda: [each for each in mailbox.mails if "daily@" in str(each["To"])])
    (mail,) = [each for each in mailbox.mails if "daily@" in str(each["To"])]
    text = " ".join(mail.get_content().split())
    active, _, over = text.partition("and ended:")
    assert "battery: volts" in active
    assert f"service hide-hub did not answer: {began} to " in over
    assert ": nothing was monitored" in over


def a_day_later() -> dict[str, str]:
    """The environment of a process whose wall clock is a day ahead."""
    library = next(Path("/usr/lib").rglob("libfaketimeMT.so.1"))
    return {**os.environ, "LD_PRELOAD": str(library), "FAKETIME": "+86400", "FAKETIME_DONT_FAKE_MONOTONIC": "1"}
