"""The parameters of the planning routes: sizes, counts, growth rates, times, names.

The page's forms and the API read the same objects, so one message explains what is wrong in both.
"""

from datetime import datetime, timedelta

from watchkeeper.model.units import parse_duration, parse_pace, parse_size
from watchkeeper.planning.preflight.matter import Matter
from watchkeeper.web.http.parameters import LONGEST_S, Parameter, choice, moment

LARGEST = 2**60
"""Bytes, an exbibyte: a thousand times what a home server holds, and far from where numbers lose precision."""
MOST_CPUS = 9_999
LONGEST_NAME = 300
"""Characters. Names of guests and stores are shorter."""


def name_of(name: str, what: str, *, required: bool = False) -> Parameter[str]:
    """The name that somebody gave to a thing."""

    def read(text: str) -> str:
        stripped = text.strip()
        if not 0 < len(stripped) <= LONGEST_NAME:
            raise ValueError(text)
        return stripped

    schema = {"type": "string", "minLength": 1, "maxLength": LONGEST_NAME}
    return Parameter(name, "query", what, f"a name of 1 to {LONGEST_NAME} characters", schema, read, required=required)


def size(name: str, what: str) -> Parameter[int]:
    """A size, with or without the plus sign of an addition."""

    def read(text: str) -> int:
        found = parse_size(text.strip().removeprefix("+"))
        if not 0 < found <= LARGEST:
            raise ValueError(text)
        return found

    return Parameter(name, "query", what, "a size up to 1024 PiB, such as 32GiB", {"type": "string"}, read)


def count(name: str, what: str) -> Parameter[int]:
    """A count, with or without the plus sign of an addition."""

    def read(text: str) -> int:
        digits = text.strip().removeprefix("+")
        if not (digits.isascii() and digits.isdecimal() and len(digits) < 10 and 0 < int(digits) <= MOST_CPUS):
            raise ValueError(text)
        return int(digits)

    return Parameter(name, "query", what, f"a whole number from 1 to {MOST_CPUS}", {"type": "string"}, read)


def pace(name: str, what: str) -> Parameter[float]:
    """A growth rate, in bytes a day."""

    def read(text: str) -> float:
        found = parse_pace(text.strip().removeprefix("+"))
        if not 0 < found <= LARGEST:
            raise ValueError(text)
        return found

    return Parameter(name, "query", what, "a size and /hour, /day or /week, such as 1GiB/day", {"type": "string"}, read)


def span(name: str, what: str) -> Parameter[float]:
    """A time, in seconds."""

    def read(text: str) -> float:
        found = parse_duration(text)
        if not 0 < found <= LONGEST_S:
            raise ValueError(text)
        return found

    return Parameter(name, "query", what, "a time such as 7d or 12h", {"type": "string"}, read)


DISK = size("disk", "Disk of the new guest; with enlarge, how much more.")
MEMORY = size("memory", "Memory of the new guest; with enlarge, how much more.")
CPUS = count("cpus", "CPUs of the new guest; with enlarge, how many more.")
GROWS = pace("grows", "How fast data is written to the disk, until it is full.")
WRITTEN = size("written", "How much is written to the disk at once, such as an image.")
RESERVED = choice("reserved", "Whether the disk takes its whole size at once.", ("yes", "no"))
ENLARGE = name_of("enlarge", "An existing guest to enlarge; default: a new guest.")
STORE = name_of("store", "Where to place the disk, by the subject of the store; default: any store.")
HOST_DISK = size("host_disk", "Usable bytes added to the store.")
HOST_MEMORY = size("host_memory", "Memory added to the host.")

CAPACITY = (ENLARGE, DISK, MEMORY, CPUS, GROWS, WRITTEN, RESERVED, STORE, HOST_DISK, HOST_MEMORY)
"""The parameters of a capacity question."""

SUBJECT = name_of(
    "subject", "What you want to change: a guest, a service, a store such as pool skerry, or the host.", required=True
)
KEEP = span("keep", "How long the snapshot is kept; default: a week.")
WITHIN = span(
    "snapshot_within", "How old the newest snapshot may be; default: the limit of its probe, otherwise a day."
)
SKIP = choice("skip", "A check to skip; may be given more than once.", tuple(Matter), several=True)
AFTER = choice(
    "after", "Whether the change was made already: compares now with the hour before the change.", ("yes", "no")
)
SINCE = moment("since", "When the change was made, for after; default: the newest snapshot or restart.")
PREFLIGHT: tuple[Parameter[str] | Parameter[float] | Parameter[datetime | timedelta], ...] = (
    SUBJECT,
    KEEP,
    WITHIN,
    SKIP,
    AFTER,
    SINCE,
)
"""The parameters of a preflight."""

RECLAIM_STORE = name_of(
    "store", "Only snapshots of this store, by its subject, such as pool skerry; default: of every store."
)
