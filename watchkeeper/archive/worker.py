"""The thread that copies to the archive: it connects, copies what there is, waits, and begins again after errors.

It has its own connections and reads in small steps, so probes, rules and messages never wait for it. Nothing of it is
needed to monitor: while the archive is away, the database of the host is the record, and the copy continues from the
cursor later. Not here: one batch (shipping.py), and how its lag is reported (daemon/archive_copy.py).
"""

import logging
import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from watchkeeper import __version__
from watchkeeper.archive.requests import AckRequest
from watchkeeper.archive.shipping import Shipper
from watchkeeper.clock import Clock
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import ArchiveError, ArchiveRefused, StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.store.replication.cursor import Cursor, Late, cursor_of
from watchkeeper.store.replication.source import Source

log = logging.getLogger(__name__)

AGAIN_S, LONGEST_WAIT_S = 5.0, 60.0
"""After an error: the first wait and the longest; each is twice as long as the one before."""

STOP_S = 5.0
"""How long stopping waits for the batch that is being written; what was not confirmed is copied again."""

CarryOut = Callable[[Sequence[AckRequest]], Sequence[str]]
"""Does what stations ask, and returns an answer to each. Raises StoreError."""

Save = Callable[[Cursor, Mapping[int, Late]], None]
"""Stores the cursor, and forgets late samples that were copied. Raises StoreError."""


@dataclass(frozen=True, slots=True)
class CopyOf:
    """Which host is copied. path: of its database. name: the host's. installation: tells it from every other."""

    path: Path
    name: str
    installation: str


@dataclass(frozen=True, slots=True)
class Progress:
    """How far it is. complete_at: when nothing was left to copy; None if that was not yet the case.

    error: why nothing is copied now; empty if it is. refused: the operator has to change something.
    """

    complete_at: datetime | None = None
    error: str = ""
    refused: bool = False


class Worker:
    """Copies one database until it is stopped."""

    def __init__(
        self, url: SecretSource, of: CopyOf, save: Save, carry_out: CarryOut, clock: Clock, every_s: float
    ) -> None:
        """every_s: seconds from one copy to the next."""
        self._url, self._of, self._save, self._carry_out = url, of, save, carry_out
        self._clock, self._every_s = clock, every_s
        self.progress = Progress()
        self._ending = threading.Event()
        self._shipper: Shipper | None = None
        self._thread = threading.Thread(target=self._run, name="archive", daemon=True)

    def start(self) -> None:
        """Begin to copy."""
        self._thread.start()

    def stop(self) -> None:
        """End it, also if the server does not answer. Blocks for a few seconds at most."""
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(STOP_S)
        shipper = self._shipper
        if shipper is not None and self._thread.is_alive():
            with suppress(OSError), socket.socket(fileno=shipper.file_number()) as one:
                one.shutdown(socket.SHUT_RDWR)
            self._thread.join(STOP_S)

    def _run(self) -> None:
        wait_s = AGAIN_S
        while not self._ending.is_set():
            try:
                self._copy()
            except (ArchiveError, StoreError) as error:
                wait_s = AGAIN_S if not self.progress.error else min(2 * wait_s, LONGEST_WAIT_S)
                self._failed(str(error), refused=isinstance(error, ArchiveRefused))
            except Exception as error:
                log.exception("the copy to the archive failed", extra=about(Event.ARCHIVE))
                self._failed(f"{type(error).__name__}: {error}", refused=False)
            self._ending.wait(wait_s)

    def _failed(self, error: str, *, refused: bool) -> None:
        """Log changes only."""
        if error != self.progress.error and not self._ending.is_set():
            log.warning("nothing is copied to the archive: %s", error, extra=about(Event.ARCHIVE))
        self.progress = Progress(self.progress.complete_at, error, refused)

    def _copy(self) -> None:
        """Copy until it is stopped. Raises ArchiveError, StoreError."""
        of = self._of
        shipper = Shipper(address_in(self._url), host=of.name, installation=of.installation, version=__version__)
        self._shipper = shipper
        try:
            with closing(Source(of.path)) as source:
                cursor = shipper.begin(cursor_of(source.cursor_text()))
                while not self._ending.is_set():
                    cursor = self._round(source, shipper, cursor)
                    if self._answered(shipper):  # what it did reaches the archive at once
                        cursor = self._round(source, shipper, cursor)
                    self._ending.wait(self._every_s)
                self._batch(source, shipper, cursor)  # the archive then knows that the host was stopped
        finally:
            self._shipper = None
            shipper.close()

    def _round(self, source: Source, shipper: Shipper, cursor: Cursor) -> Cursor:
        """Copy what there is."""
        began, more = self._clock.now(), True
        while more and not self._ending.is_set():
            cursor, more = self._batch(source, shipper, cursor)
        if not more:
            if self.progress.error:
                log.info("everything is copied to the archive again", extra=about(Event.ARCHIVE))
            self.progress = Progress(complete_at=began)
        return cursor

    def _answered(self, shipper: Shipper) -> bool:
        """Do what stations ask; returns whether there was anything."""
        asked = shipper.waiting()
        for each, said in zip(asked, self._carry_out(asked) if asked else (), strict=True):
            shipper.answer(each, said)
        return bool(asked)

    def _batch(self, source: Source, shipper: Shipper, cursor: Cursor) -> tuple[Cursor, bool]:
        """Copy once; returns the cursor then, and whether there is more."""
        late = source.late()
        batch = source.batch(cursor.rewound(late), shipper.copied)
        after = shipper.ship(batch)
        self._save(after, late)
        return after, batch.more


def address_in(url: SecretSource) -> str:
    """The address of the archive. Raises ArchiveRefused where it cannot be read."""
    try:
        return url.read().get_secret_value()
    except (OSError, ValueError) as error:
        why = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise ArchiveRefused(f"archive.url cannot be read from {url.path}: {why}") from None
