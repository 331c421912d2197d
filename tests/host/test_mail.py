"""Messages reach the operator's mailbox, through the machine's own mail server."""

from email.message import EmailMessage

import pytest

from tests.host.station import Event, Station

pytestmark = pytest.mark.host


def test_every_message_is_in_the_mailbox_once_and_in_its_thread(station: Station) -> None:
    """For each event of the webhook there is one mail, which replies to the previous one of the same episode."""
    began = station.machine.now()
    station.machine.run("systemctl kill --signal=SEGV tide-log")
    station.message("unit tide-log.service", "faulty", "raised", began, 120)
    station.machine.run("systemctl reset-failed tide-log; systemctl start tide-log")
    station.message("unit tide-log.service", "faulty", "ended", began, 120)
    events_so_far = station.events()
    mails = _mails(station, of=events_so_far)
    # A message that comes meanwhile may be in the mailbox before the webhook has it.
    station.wait_until("the webhook's part", lambda: len(station.events()) >= len(mails), 120)
    events = station.events()
    by_id = {str(mail["Message-ID"]): mail for mail in mails}
    assert len(by_id) == len(mails)
    assert all(_of(by_id, event) for event in events_so_far)
    assert sum(len(_of(by_id, event)) for event in events) == len(mails)
    for event in events:
        for mail in _of(by_id, event):
            _check(by_id, mail, event)
    station.note(f"mail: {len(mails)} mails in /var/mail/keeper for {len(events)} events, each once and in its thread")


def _mails(station: Station, of: list[Event]) -> list[EmailMessage]:
    """The mailbox, once it has a mail for each of these events."""

    def there() -> bool:
        names = " ".join(str(mail["Message-ID"]) for mail in station.mails())
        return all(event["id"] in names for event in of)

    station.wait_until("the last mail", there, 120)
    return station.mails()


def _of(by_id: dict[str, EmailMessage], event: Event) -> list[EmailMessage]:
    """Its mail, if it has come; never two."""
    found = [mail for name, mail in by_id.items() if event["id"] in name]
    assert len(found) <= 1
    return found


def _check(by_id: dict[str, EmailMessage], mail: EmailMessage, event: Event) -> None:
    references = str(mail["References"] or "").split()
    assert (mail["In-Reply-To"] is None) == (event["number"] == 1)
    assert len(references) == event["number"] - 1
    assert all(event["thread"] in reference for reference in references)
    assert set(references) <= by_id.keys()
    assert mail["To"] == "keeper@localhost"
