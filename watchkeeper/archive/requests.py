"""What a station asks of a host through the archive, and the host's answer: so far, to acknowledge an alert.

A station makes a request, the host reads it with its next copy, and answers in the same row. Not here: whether the host
does it (daemon/archive_requests.py), and who may read and write what (migrations.py, rights.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from watchkeeper.archive import migrations
from watchkeeper.archive.migrations import NOW_US
from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey
from watchkeeper.store.rows.codec import key_column, key_of

NEEDED = 2
"""The version of the archive that has requests. A host copies to an earlier one, and has none then."""

AT_ONCE = 50
"""Requests that a host reads with one copy."""


@dataclass(frozen=True, slots=True)
class AckRequest:
    """An alert to be acknowledged. key: as the host itself names it. episode: of the alert that the operator saw.

    made_by: the name of the station. age_s: seconds since it was made.
    """

    id: int
    made_by: str
    key: SeriesKey
    concern: Concern
    episode: int
    age_s: float


def make(conn: Any, host: int, station: str, key: SeriesKey, concern: Concern, episode: int) -> None:  # noqa: ANN401  a connection of the optional driver
    """Ask a host to acknowledge an alert. Raises ArchiveRefused if the archive has no requests yet."""
    migrations.check_version(conn, NEEDED)
    conn.execute(
        "SELECT watchkeeper.request_acknowledgement(%s, %s, %s, %s, %s)",
        (host, station, key_column(key), concern.value, episode),
    )


def waiting(conn: Any, host: int) -> Sequence[AckRequest]:  # noqa: ANN401  the same
    """What a host has not answered yet, oldest first. Answers itself what cannot be read."""
    rows = conn.execute(
        f"SELECT id, made_by, key, concern, episode, ({NOW_US} - made_at_us) / 1e6 FROM watchkeeper.requests"  # noqa: S608  fixed texts
        " WHERE host = %s AND answered_at_us IS NULL ORDER BY id LIMIT %s",
        (host, AT_ONCE),
    ).fetchall()
    found = list[AckRequest]()
    for number, made_by, key, concern, episode, age_s in rows:
        try:
            found.append(AckRequest(number, made_by, key_of(key), Concern(concern), episode, float(age_s)))
        except (ValueError, TypeError):
            answer(conn, host, number, "this version of watchkeeper does not understand it")
    return found


def answer(conn: Any, host: int, number: int, said: str) -> None:  # noqa: ANN401  the same
    """Store a host's answer."""
    conn.execute(
        f"UPDATE watchkeeper.requests SET answered_at_us = {NOW_US}, answer = %s WHERE host = %s AND id = %s",  # noqa: S608  fixed texts
        (said, host, number),
    )
