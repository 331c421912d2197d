"""What the database could not take, in the reserve: written before it is reported, and found again at the next start.

The number of the record that the database has taken over is committed with its content, so that a start knows whether
the record is older than the database. Not here: the file (files/reserve.py), and when it is used
(runtime/write_buffer.py).
"""

import logging
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path

from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.records import Commit, DeliveryState
from watchkeeper.store.files.reserve import Reserve
from watchkeeper.store.rows.codec import Codec

log = logging.getLogger(__name__)

COMMIT: Codec[Commit] = Codec(Commit)

OWNER = " kept aside"
"""Among the states of probes; no probe has this name, because names are stripped."""

SUFFIX = ".reserve"
"""After the database's name."""


def reserve_of(path: Path) -> Path:
    """The reserve of the database at a path."""
    return path.with_name(path.name + SUFFIX)


class KeptAside:
    """The reserve of one database. Used by the thread that writes."""

    def __init__(self, path: Path, taken_over: int) -> None:
        """path: of the database. taken_over: the number of the newest record that the database contains."""
        self._path = reserve_of(path)
        self._number = taken_over
        self._reserve = self._made()
        newest = 0 if self._reserve is None else self._reserve.number
        self.is_newer = newest > taken_over
        self._number = max(newest, taken_over)

    @property
    def number(self) -> int:
        """The number of the newest record."""
        return self._number

    def read(self) -> Commit:
        """The newest record; empty where there is none that can be read."""
        text = "" if self._reserve is None else self._reserve.text
        try:
            return COMMIT.loads(text) if text else Commit()
        except StoreError as error:
            log.error("%s cannot be read: %s", self._path, error, extra=about(Event.DATABASE))  # noqa: TRY400  text says it all
            return Commit()

    def write(self, commit: Commit) -> bool:
        """Replace the record; False where that is not possible. History is left out where it is too long."""
        self._make_again()
        if self._reserve is None:
            return False
        for each in (commit, _needed(commit)):
            try:
                self._reserve.write(self._number + 1, COMMIT.dumps(each))
            except ValueError:
                continue
            except OSError as error:
                log.error("%s cannot be written: %s", self._path, error, extra=about(Event.DATABASE))  # noqa: TRY400  text says it all
                return False
            self._number += 1
            return True
        return False

    def close(self) -> None:
        """Close the file."""
        if self._reserve is not None:
            self._reserve.close()

    def _make_again(self) -> None:
        """Make the file where it is missing: there was no space for it at the start, or somebody has deleted it."""
        if self._reserve is None or not self._path.exists():
            self.close()
            self._reserve = self._made()

    def _made(self) -> Reserve | None:
        try:
            return Reserve(self._path)
        except (OSError, StoreError) as error:
            text = "%s cannot be made: while the database cannot be written, a kill loses what was reported: %s"
            log.warning(text, self._path, error, extra=about(Event.DATABASE))
            return None


def _needed(commit: Commit) -> Commit:
    """Without lines of the event log, and without messages that have left."""
    waiting = tuple(each for each in commit.deliveries if each.state is DeliveryState.WAITING)
    return replace(commit, events=(), deliveries=waiting)


def still_open(kept: Commit, *, is_newer: bool, stored: Collection[tuple[str, str]]) -> Commit:
    """What of a record the database does not contain.

    is_newer: the database has not taken it over. stored: notifier and message id of deliveries in the outbox.
    """
    missing = tuple(each for each in kept.deliveries if (each.notifier, each.message.id) not in stored)
    return replace(kept, deliveries=missing) if is_newer else Commit(deliveries=missing)
