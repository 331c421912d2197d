"""A record as one line of text, and as the fields of systemd's journal. Pure.

Records contain text from outside: names, reasons, addresses. So every text goes through `wording.clean`, and no line
break or control character in it can end a line or begin another.
"""

import logging
import traceback
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Final

from watchkeeper.logs.fields import NOTICE, fields_of
from watchkeeper.messages.wording import clean

LONGEST: Final = 2_000
"""Characters in a line. The reasons that probes give are shorter; a journal shows the whole line."""

DEEPEST: Final = 8
"""Frames of a traceback in a line, the innermost first. The journal gets the whole traceback as a field."""

_SYSLOG = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (NOTICE, 5), (logging.INFO, 6))
"""Levels and their numbers in syslog(3), and so in the journal."""


def syslog_priority(level: int) -> int:
    """The number that syslog(3) has for a level: 7, debugging, for anything below all others."""
    return next((number for least, number in _SYSLOG if level >= least), 7)


def text_of(record: logging.LogRecord, more: str = "") -> str:
    """The record's one line. more: what is appended to it."""
    text = clean(record.getMessage(), LONGEST)
    error = record.exc_info[1] if record.exc_info else None
    if error is not None:
        text += f": {type(error).__name__}: {clean(str(error), LONGEST)} at {_places(error)}"
    return f"{text} {more}" if more else text


def _places(error: BaseException) -> str:
    """Where the error was raised, and from where that was called.

    For example `notifiers/mail/mail.py:120 < notifiers/outbox/outbox.py:230`.
    """
    found = traceback.extract_tb(error.__traceback__)[-DEEPEST:]
    return " < ".join(f"{Path(each.filename).name}:{each.lineno}" for each in reversed(found)) or "an unknown place"


def terminal_line(record: logging.LogRecord, more: str, zone: tzinfo | None, written_at: datetime | None = None) -> str:
    """For standard error that people read: time, level, text. zone: None for the process's own.

    written_at: when the line is written, where that is later than the record, as for a summary: lines stay in order.
    """
    at = written_at or datetime.fromtimestamp(record.created, UTC)
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M:%S} {record.levelname.lower()}: {text_of(record, more)}"


def service_line(record: logging.LogRecord, more: str) -> str:
    """For standard error that systemd reads: sd-daemon(3) takes the priority from a number at the start."""
    return f"<{syslog_priority(record.levelno)}>{text_of(record, more)}"


def journal_fields(record: logging.LogRecord, more: str) -> dict[str, str]:
    """For the journal: the names that systemd.journal-fields(7) defines, and our own with a prefix."""
    own = {f"WATCHKEEPER_{name.upper()}": clean(value, LONGEST) for name, value in fields_of(record).items()}
    found = {
        "MESSAGE": text_of(record, more),
        "PRIORITY": str(syslog_priority(record.levelno)),
        "SYSLOG_IDENTIFIER": "watchkeeper",
        "CODE_FILE": record.pathname,
        "CODE_LINE": str(record.lineno),
        "CODE_FUNC": record.funcName or "",
        **own,
    }
    if record.exc_info and record.exc_info[1] is not None:
        found["WATCHKEEPER_TRACE"] = "".join(traceback.format_exception(record.exc_info[1]))
    return found
