"""Compares the file of the open database with what its path names, and continues in a new file where it was lost.

Belongs to the thread that writes. Not here: how the content is written again (recovery/location.py), and how it is
reported (daemon/database_location.py).
"""

import logging
from datetime import datetime
from pathlib import Path

from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.ownership.folder_owner import real_file
from watchkeeper.store.commit_queue import CommitQueue
from watchkeeper.store.recovery.location import FileInUse, Location

log = logging.getLogger(__name__)


class FileGuard:
    """Watches one open database."""

    def __init__(self, path: Path, committer: CommitQueue) -> None:
        """path: where the configuration says that it is. Raises OSError where it is not there any more."""
        self._path = path
        self.committer = committer
        """The connection that writes; another one after the content was written to a new file."""
        self.file = FileInUse(real_file(path))
        self._version = committer.data_version()

    def look(self, now: datetime) -> Location:
        """Compare once. Raises StoreError where the database cannot be read."""
        path, file = real_file(self._path), self.file
        if file.path != path and file.is_at(file.path):
            return Location(file.path, lost=f"{path} is another file now, or missing")
        if file.is_at(path):
            return self._look_at_content()
        moved = file.now_at()
        if moved is not None and not path.parent.exists():
            return Location(moved, lost=f"{path} was moved with its folder")
        return self._continue(path, now)

    def close(self) -> None:
        """Close the file; only after the connections."""
        self.file.close()

    def _look_at_content(self) -> Location:
        path = self.file.path
        if not self.file.is_database():
            return Location(path, lost=f"{path} was overwritten by another program")
        before, self._version = self._version, self.committer.data_version()
        if before == self._version:
            return Location(path)
        self.committer.look_again()
        return Location(path, changed=f"another program has written into {path}")

    def _continue(self, path: Path, now: datetime) -> Location:
        lost = f"{path} was {'replaced' if path.exists() else 'deleted or moved'} while it was in use"
        try:
            made = self.committer.write_again(path, now)
            fresh, file = CommitQueue(made), FileInUse(made)
        except (OSError, StoreError) as error:
            log.error("%s, and cannot be written again: %s", lost, error, extra=about(Event.DATABASE))  # noqa: TRY400  text says it all
            return Location(path, lost=lost, why_not=str(error))
        log.error("%s; everything was written to %s", lost, made, extra=about(Event.DATABASE))
        self.committer.close()
        self.file.close()
        self.committer, self.file, self._version = fresh, file, fresh.data_version()
        return Location(made, lost=lost, written=True)
