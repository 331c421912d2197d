"""What is known of one host among several, and how its subjects are named beside those of the others.

One more level before the subject: `gannet: pool skerry`. Not here: where the records come from (watchkeeper/archive).
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import OWN_SUBJECT, SeriesKey
from watchkeeper.model.records import Seen, Series

BETWEEN = ": "
"""Between the name of a host and a subject of it."""


@dataclass(frozen=True, slots=True)
class HostRecords:
    """What is known of a host now."""

    series: Sequence[Series] = ()
    latest: Sequence[Seen] = ()
    findings: Sequence[Finding] = ()
    alerts: Sequence[Alert] = ()


@dataclass(frozen=True, slots=True)
class KnownHost:
    """A host of a page over several. heard_at: when it wrote last; None if it never did.

    records: with the host's name before each subject; another object after each change.
    """

    name: str
    heard_at: datetime | None
    records: HostRecords


def heard_from(host: str) -> SeriesKey:
    """The series of a station that says whether a host still writes."""
    return SeriesKey(f"host {host}", "heard from")


def named(host: str, key: SeriesKey) -> SeriesKey:
    """The key of a host's series among those of all hosts."""
    if key.subject.startswith(OWN_SUBJECT):
        return SeriesKey(f"{OWN_SUBJECT}{host}{BETWEEN}{key.subject.removeprefix(OWN_SUBJECT)}", key.quantity)
    return SeriesKey(f"{host}{BETWEEN}{key.subject}", key.quantity)


def apart(key: SeriesKey, hosts: Collection[str]) -> tuple[str, SeriesKey] | None:
    """The host, and the key that the series has there; None if it belongs to no host."""
    own = OWN_SUBJECT if key.subject.startswith(OWN_SUBJECT) else ""
    words, found = key.subject.removeprefix(own).split(BETWEEN), None
    for at in range(1, len(words)):  # a name may have the separator in it: the longest is right
        host = BETWEEN.join(words[:at])
        if host in hosts:
            found = host, SeriesKey(own + BETWEEN.join(words[at:]), key.quantity)
    return found
