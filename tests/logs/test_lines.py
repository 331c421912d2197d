"""A record as one line, and as the journal's fields."""

import logging
import sys
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.logs import lines
from watchkeeper.logs.fields import NOTICE, Event, about, fields_of, kind_of
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.observation import SeriesKey

HOSTILE = "a\nMESSAGE=forged\r\n<0>b\x1b[31mc\u2028d\u202ee\x00f\x85g"


def record(
    text: str, *words: object, level: int = logging.WARNING, key: SeriesKey | None = None, notifier: str = ""
) -> logging.LogRecord:
    """A record as a log call makes it."""
    made = logging.LogRecord("watchkeeper.test", level, __file__, 7, text, words, None, "look")
    made.created = datetime(2026, 11, 25, 9, 5, 3, tzinfo=UTC).timestamp()
    fields = (
        about(Event.DELIVERY_DEFERRED, key=key, notifier=notifier)
        if notifier
        else about(Event.DELIVERY_DEFERRED, key=key)
    )
    made.__dict__.update(fields)
    return made


def failed(error: Exception) -> logging.LogRecord:
    """A record of an exception that was caught."""
    try:
        raise error
    except type(error):
        made = record("it failed")
        made.exc_info = sys.exc_info()
        return made


def test_a_line_for_people() -> None:
    """Time, level and text; what more there is stands behind it."""
    told = record("put off: %s", "no answer")
    assert lines.terminal_line(told, "", UTC) == "2026-11-25 09:05:03 warning: put off: no answer"
    assert lines.terminal_line(told, "(once more)", UTC).endswith("no answer (once more)")
    assert lines.terminal_line(told, "", None).endswith("warning: put off: no answer")


@pytest.mark.parametrize(
    ("level", "number"),
    [
        (logging.CRITICAL, 2),
        (logging.ERROR, 3),
        (logging.WARNING, 4),
        (NOTICE, 5),
        (logging.INFO, 6),
        (logging.DEBUG, 7),
    ],
)
def test_levels_are_those_of_syslog(level: int, number: int) -> None:
    """The numbers are those of syslog(3), which sd-daemon(3) and the journal share."""
    assert lines.syslog_priority(level) == number
    assert lines.service_line(record("so", level=level), "") == f"<{number}>so"
    assert lines.journal_fields(record("so", level=level), "")["PRIORITY"] == str(number)


def test_the_journals_fields() -> None:
    """Ours stand under a prefix; the place in the code has the names that systemd.journal-fields(7) gives."""
    key = SeriesKey("service hide-hub", "answer")
    told = record("so")
    told.__dict__.update(
        about(Event.ALERT, key=key, concern=Concern.NOT_ANSWERING, priority=Priority.ALARM, state="active")
    )
    assert lines.journal_fields(told, "") == {
        "MESSAGE": "so",
        "PRIORITY": "4",
        "SYSLOG_IDENTIFIER": "watchkeeper",
        "CODE_FILE": __file__,
        "CODE_LINE": "7",
        "CODE_FUNC": "look",
        "WATCHKEEPER_EVENT": "alert",
        "WATCHKEEPER_SUBJECT": "service hide-hub",
        "WATCHKEEPER_QUANTITY": "answer",
        "WATCHKEEPER_CONCERN": "not_answering",
        "WATCHKEEPER_PRIORITY": "alarm",
        "WATCHKEEPER_STATE": "active",
    }


def test_an_exception_is_one_line_and_a_whole_trace() -> None:
    """The line has kind, text and places, the innermost first; the journal has the trace besides."""
    told = failed(ValueError("no such pool\nskerry"))
    text = lines.text_of(told)
    assert text.startswith("it failed: ValueError: no such pool skerry at test_lines.py:")
    assert "\n" not in text
    trace = lines.journal_fields(told, "")["WATCHKEEPER_TRACE"]
    assert trace.startswith("Traceback")
    assert "raise error" in trace


def test_an_exception_that_was_never_raised() -> None:
    """A library may hand over an exception without a trace."""
    told = record("it failed")
    told.exc_info = (ValueError, ValueError("so"), None)
    assert lines.text_of(told) == "it failed: ValueError: so at an unknown place"


def test_hostile_text_splits_nothing() -> None:
    """A name with line breaks, colours and direction marks ends no line and begins none."""
    told = record("probe %s", HOSTILE, key=SeriesKey(HOSTILE, "answer"))
    for line in (lines.terminal_line(told, "", UTC), lines.service_line(told, "")):
        assert len(line.splitlines()) == 1
        assert not {"\x1b", "\x00", "\u202e"} & set(line)
    assert lines.service_line(told, "").startswith("<4>probe a MESSAGE=forged <0>b")
    fields = lines.journal_fields(told, "")
    assert all("\n" not in value for value in fields.values())


@given(st.text(), st.text())
def test_any_text_is_one_line(text: str, name: str) -> None:
    """Whatever a probe says, a line is one line, printable, and can be encoded."""
    told = record("%s", text, notifier=name)
    line = lines.service_line(told, "")
    assert len(line.splitlines()) == 1
    assert line.encode()
    assert all(sign.isprintable() for sign in line)
    assert len(line) < lines.LONGEST + 10


def test_a_line_has_an_end() -> None:
    """A reason of a megabyte is cut."""
    assert len(lines.text_of(record("%s", "x" * 10**6))) == lines.LONGEST


def test_what_is_alike() -> None:
    """What fails by a notifier is alike for every message; a probe, a subject and a library's line are apart."""
    hub, ringing = SeriesKey("service hide-hub", "answer"), SeriesKey("service ringing-db", "answer")
    a, b = (record("so", notifier="mail", key=each) for each in (hub, ringing))
    assert kind_of(a) == kind_of(b) != kind_of(record("so", notifier="phone"))
    c, d = (record("so", key=each) for each in (hub, ringing))
    assert kind_of(c) != kind_of(d)
    foreign = logging.LogRecord("aiohttp.server", logging.ERROR, "x.py", 9, "so", (), None)
    assert kind_of(foreign) == ("aiohttp.server", "9")
    assert fields_of(foreign) == {}
