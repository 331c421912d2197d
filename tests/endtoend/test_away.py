"""A month ends and the operator goes away: a report by mail, and a neighbour who stands in, with a real mail server."""

import json
import os
import shutil
import subprocess
import sys
import urllib.request
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path

import pytest

from tests.support.daemon import Daemon, base, command
from tests.support.needs import need
from tests.support.receivers import Mailbox, Service
from tests.support.waiting import until

CONFIG = (
    base()
    + """
[sheet]
contacts = ["the warden: 100"]
[rules.not_answering]
warning = "1s"
alarm = "never"
[[probe]]
kind = "tcp"
name = "hide-hub"
host = "127.0.0.1"
port = {service}
every = "1s"
[[notifier]]
kind = "mail"
server = "127.0.0.1"
port = {mail}
security = "none"
from = "gannet@example.org"
to = ["operator@example.org"]
monthly_report = "08:00"
[[notifier]]
kind = "mail"
name = "neighbour"
server = "127.0.0.1"
port = {mail}
security = "none"
from = "gannet@example.org"
to = ["neighbour@example.org"]
stand_in_only = true
[[stand_in]]
from = 2026-12-01
until = 2026-12-05
notifier = "neighbour"
note = "the key hangs in the kitchen"
"""
)

LAST_DAY, FIRST_DAY, AFTER = (
    datetime(2026, 11, 30, 7, 0, tzinfo=UTC), datetime(2026, 12, 1, 8, 1, tzinfo=UTC),
    datetime(2026, 12, 6, 0, 1, tzinfo=UTC),
)  # fmt: skip


def environment(at: datetime) -> dict[str, str]:
    """The environment of a process whose wall clock begins at a time."""
    library = next(Path("/usr/lib").rglob("libfaketimeMT.so.1"))
    offset = f"{(at - datetime.now(UTC)).total_seconds():+.0f}"
    return {**os.environ, "LD_PRELOAD": str(library), "FAKETIME": offset, "FAKETIME_DONT_FAKE_MONOTONIC": "1"}


def life(config: Path, at: datetime) -> Daemon:
    """A daemon that starts at a time."""
    made = subprocess.Popen(command(config), stdout=subprocess.PIPE, text=True, env=environment(at))
    return Daemon(made)


def words(mail: EmailMessage) -> str:
    """The text of a mail, without its line breaks."""
    part = mail.get_body(("plain",))
    assert part is not None
    return " ".join(part.get_content().split())


@pytest.mark.untraced
@pytest.mark.timeout(240)
def test_a_report_by_mail_and_a_neighbour_who_stands_in(tmp_path: Path) -> None:
    """Three lives: the last day of a month, the first one of the next, and the day after the stand-in."""
    need(shutil.which("faketime"), "faketime is not installed")
    mailbox, service = Mailbox(), Service()
    config = tmp_path / "config.toml"
    config.write_text(CONFIG.format(folder=tmp_path, mail=mailbox.port, service=service.port))

    def mails(to: str, subject: str) -> list[EmailMessage]:
        return [each for each in mailbox.mails if to in str(each["To"]) and subject in str(each["Subject"])]

    def answered(daemon: Daemon) -> bool:
        with urllib.request.urlopen(f"{daemon.address}api/v1/quantities", timeout=60) as answer:
            return any(each["subject"] == "service hide-hub" for each in json.load(answer)["items"])

    try:
        with life(config, LAST_DAY) as daemon:
            until("a reading", lambda: answered(daemon))
            assert daemon.stop() == 0
        assert not mailbox.mails
        service.close()
        with life(config, FIRST_DAY) as daemon:
            until("the report", lambda: mails("operator", "report for November 2026"))
            until("the first message", lambda: mails("neighbour", "you stand in for gannet until Sun 6 Dec 00:00"))
            until("the alert", lambda: mails("neighbour", "service hide-hub"))
            until("the operator's own", lambda: mails("operator", "service hide-hub"))
            with urllib.request.urlopen(daemon.address, timeout=60) as answer:
                assert "Messages also go to <bdi>neighbour, until Sun 6 Dec 00:00" in answer.read().decode()
            assert daemon.stop() == 0
        report = words(mails("operator", "report for")[0])
        assert "Report of gannet for November 2026" in report
        assert "service hide-hub" in report
        first = words(mails("neighbour", "you stand in")[0])
        assert "Note: the key hangs in the kitchen" in first
        assert "Whom to call: the warden: 100" in first
        alert = words(mails("neighbour", "service hide-hub")[0])
        assert "because you stand in for the operator of gannet until Sun 6 Dec 00:00. Note: the key hangs" in alert
        assert "stand in" not in words(mails("operator", "service hide-hub")[0])
        assert not mails("neighbour", "report for")
        with life(config, AFTER) as daemon:
            until("the last message", lambda: mails("neighbour", "your stand-in for gannet is over"))
            assert daemon.stop() == 0
        assert "Still active: WARNING service hide-hub" in words(mails("neighbour", "is over")[0])
        assert not mails("operator", "stand")
        argv = [sys.executable, "-m", "watchkeeper", "--config", str(config)]
        checked = subprocess.run([*argv, "check-config"], capture_output=True, text=True, timeout=60, check=True).stdout
        assert "Stands in for you" in checked
        logged = subprocess.run([*argv, "events"], capture_output=True, text=True, timeout=60, check=True).stdout
        assert "neighbour stands in until" in logged
        assert "neighbour no longer stands in" in logged
    finally:
        mailbox.close()
        if service.running:
            service.close()
