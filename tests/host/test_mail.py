"""What was told reached the keeper's mailbox, through the machine's own mail server."""

import pytest

from tests.host.station import Station

pytestmark = pytest.mark.host


def test_every_message_is_in_the_mailbox_once_and_in_its_thread(station: Station) -> None:
    """For each event of the webhook there is one mail, which answers the one before it of the same episode."""
    began = station.machine.now()
    station.machine.run("systemctl kill --signal=SEGV tide-log")
    station.told("unit tide-log.service", "unsound", "raised", began, 120)
    station.machine.run("systemctl reset-failed tide-log; systemctl start tide-log")
    station.told("unit tide-log.service", "unsound", "ended", began, 120)
    station.until("the last mail", lambda: len(station.mails()) >= len(station.events()), 120)
    events, mails = station.events(), station.mails()
    assert len(mails) == len(events)
    by_id = {str(mail["Message-ID"]): mail for mail in mails}
    assert len(by_id) == len(mails)
    for event in events:
        (mail,) = (mail for name, mail in by_id.items() if event["id"] in name)
        references = str(mail["References"] or "").split()
        assert (mail["In-Reply-To"] is None) == (event["number"] == 1)
        assert len(references) == event["number"] - 1
        assert all(event["thread"] in reference for reference in references)
        assert set(references) <= by_id.keys()
        assert mail["To"] == "keeper@localhost"
    station.note(f"mail: {len(mails)} mails in /var/mail/keeper for {len(events)} events, each once and in its thread")
