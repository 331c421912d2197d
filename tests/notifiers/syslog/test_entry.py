"""Entries by the grammar of RFC 5424, section 6 (ABNF), with any text in them."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.abnf import Grammar
from tests.support.messages import NOW, messages
from watchkeeper.messages.ack_links import AckLinks
from watchkeeper.model.alert import NotificationKind, Priority
from watchkeeper.model.message import Message
from watchkeeper.model.observation import SeriesKey
from watchkeeper.notifiers.syslog.entry import (
    FACILITIES,
    LARGEST_BYTES,
    SD_ID,
    Severity,
    as_entry,
    as_local_entry,
    severity,
)

RFC5424 = Grammar("""
SYSLOG-MSG = HEADER SP STRUCTURED-DATA [SP MSG]
HEADER = PRI VERSION SP TIMESTAMP SP HOSTNAME SP APP-NAME SP PROCID SP MSGID
PRI = "<" PRIVAL ">"
PRIVAL = 1*3DIGIT
VERSION = NONZERO-DIGIT 0*2DIGIT
HOSTNAME = NILVALUE / 1*255PRINTUSASCII
APP-NAME = NILVALUE / 1*48PRINTUSASCII
PROCID = NILVALUE / 1*128PRINTUSASCII
MSGID = NILVALUE / 1*32PRINTUSASCII
TIMESTAMP = NILVALUE / FULL-DATE "T" FULL-TIME
FULL-DATE = DATE-FULLYEAR "-" DATE-MONTH "-" DATE-MDAY
DATE-FULLYEAR = 4DIGIT
DATE-MONTH = 2DIGIT
DATE-MDAY = 2DIGIT
FULL-TIME = PARTIAL-TIME TIME-OFFSET
PARTIAL-TIME = TIME-HOUR ":" TIME-MINUTE ":" TIME-SECOND [TIME-SECFRAC]
TIME-HOUR = 2DIGIT
TIME-MINUTE = 2DIGIT
TIME-SECOND = 2DIGIT
TIME-SECFRAC = "." 1*6DIGIT
TIME-OFFSET = "Z" / TIME-NUMOFFSET
TIME-NUMOFFSET = ("+" / "-") TIME-HOUR ":" TIME-MINUTE
STRUCTURED-DATA = NILVALUE / 1*SD-ELEMENT
SD-ELEMENT = "[" SD-ID *(SP SD-PARAM) "]"
SD-PARAM = PARAM-NAME "=" %d34 PARAM-VALUE %d34
SD-ID = SD-NAME
PARAM-NAME = SD-NAME
PARAM-VALUE = *PARAM-CHAR
PARAM-CHAR = %x00-21 / %x23-5B / %x5E-10FFFF / %x5C.22 / %x5C.5C / %x5C.5D
SD-NAME = 1*32SD-NAME-CHAR
SD-NAME-CHAR = %x21 / %x23-3C / %x3E-5C / %x5E-7E
MSG = %xFEFF *%x00-10FFFF
NILVALUE = "-"
PRINTUSASCII = %x21-7E
NONZERO-DIGIT = %x31-39
""")
"""RFC 5424, section 6, on characters instead of octets. UTF-8-STRING with the escapes of 6.3.3 is PARAM-CHAR; 6.3.2
excludes "=", " ", "]" and quotation marks from names. MSG is MSG-UTF8: other texts are not sent."""


def checked(entry: bytes) -> str:
    """The entry as text, if the grammar accepts it and a receiver must."""
    text = entry.decode()
    assert RFC5424.matches("SYSLOG-MSG", text), text
    assert len(entry) <= LARGEST_BYTES
    return text


@pytest.mark.parametrize("facility", FACILITIES)
def test_every_kind_of_message(facility: str) -> None:
    """With its severity and facility in the first field."""
    for message in messages():
        text = checked(as_entry(message, facility))
        assert text.startswith(f"<{FACILITIES[facility] * 8 + severity(message)}>1 2026-11-")
        assert f' gannet watchkeeper - {message.kind.value} [{SD_ID} id="{message.id}"' in text


@given(subject=st.text(), headline=st.text(), host=st.text(), body=st.text(max_size=4_000))
def test_any_text(subject: str, headline: str, host: str, body: str) -> None:
    """Names from outside end no value, no element and no line, and the entry stays within its bound."""
    message = replace(messages()[0], key=SeriesKey(subject, "space"), headline=headline, host=host, body=body)
    text = checked(as_entry(message, "daemon"))
    assert text.isprintable() or "\n" not in text
    assert text.count(f"[{SD_ID} ") == 1 or SD_ID in subject + headline + body
    local = as_local_entry(message, "daemon")
    assert len(local) <= LARGEST_BYTES
    assert b"\n" not in local


@pytest.mark.parametrize(
    ("entry", "right"),
    [
        ("<28>1 2026-11-24T09:12:00.000Z gannet watchkeeper - raised - \ufeffa", True),
        ("<28>1 2026-11-24T09:12:00.000Z gannet watchkeeper - raised a", False),
        ("<28>1 2026-11-24 gannet watchkeeper - raised - \ufeffa", False),
        ('<28>1 - gannet watchkeeper - raised [a b="c]"] \ufeffa', False),
        ("<28>1 - the host watchkeeper - raised - \ufeffa", False),
        ("<2800>1 - gannet watchkeeper - raised - \ufeffa", False),
    ],
)
def test_the_grammar_finds_what_is_wrong(entry: str, *, right: bool) -> None:
    """Else it would prove nothing."""
    assert RFC5424.matches("SYSLOG-MSG", entry) is right


def test_severities() -> None:
    """By priority; an end is a notice; what is no alert is information."""
    base = messages()[0]

    def of(priority: Priority | None, kind: NotificationKind = NotificationKind.RAISED) -> Severity:
        return severity(replace(base, priority=priority, kind=kind))

    assert [of(each) for each in Priority] == [Severity.NOTICE, Severity.WARNING, Severity.ALERT]
    assert of(None, NotificationKind.ENDED) is Severity.NOTICE
    assert of(Priority.ALARM, NotificationKind.DIGEST) is Severity.INFORMATIONAL
    assert severity(replace(base, priority=Priority.ALARM, test=True)) is Severity.INFORMATIONAL


def test_a_link_stays_out_of_the_log() -> None:
    """Many may read a log, and whoever has the link may acknowledge."""
    raised = next(m for m in messages() if m.kind is NotificationKind.RAISED)
    message: Message = AckLinks(b"k" * 32, "https://watch.example.org").given(raised)
    assert message.link
    for entry in (as_entry(message, "user"), as_local_entry(message, "user")):
        assert b"acknowledge?pass" not in entry
        assert b"pool skerry full in about 3 days" in entry


def test_the_same_message_is_the_same_entry() -> None:
    """On every try, whenever it is made: receivers recognise one that comes twice by its id."""
    message = replace(messages()[0], at=NOW)
    assert as_entry(message, "daemon") == as_entry(replace(message), "daemon")
