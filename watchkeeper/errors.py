"""Every error that watchkeeper raises on purpose. Any layer may import this module; it imports no other module of ours.

    WatchkeeperError
    |-- ConfigError           the configuration cannot be used; holds every problem found
    |-- StartError            the daemon cannot start: port, folder or lock is in use or access is denied
    |   `-- AccessDenied      this user must not do it: it would need another user's rights
    |-- InputError            a file that a command was asked to read has the wrong format
    |   `-- InputMissing      it does not exist or cannot be read
    |-- OutputError           a file that a command was asked to write cannot be written
    |-- StoreError            the database cannot do what was asked
    |   |-- StoreMissing      there is no database, or no backup, at that path
    |   |-- StoreFull         no space left on its file system (SQLITE_FULL)
    |   |-- StoreDamaged      not a database, or one whose pages are broken
    |   `-- StoreTooNew       written by a later version than this one
    |-- ArchiveError          the archive in PostgreSQL cannot be reached or used
    |   `-- ArchiveRefused    not before the operator has changed something
    |-- ProbeError            a probe could not observe; becomes an observation of the probe itself
    |   |-- ProbeTimeout      (also TimeoutError) no answer in time; the call was abandoned
    |   |-- StillHanging      an earlier abandoned call to the same thing has still not returned
    |   |-- ToolMissing       the program that has the information is not installed
    |   `-- PrivilegeMissing  the probe lacks a permission
    `-- DeliveryError         a notifier could not deliver a message
        |-- DeliveryDeferred  may work later: try again
        `-- DeliveryRefused   will never work as it is: set aside

An error's text names the thing, the value and the remedy, and never holds a secret.
"""

from collections.abc import Sequence
from dataclasses import dataclass


class WatchkeeperError(Exception):
    """Base class of every error raised on purpose; its text can be shown to the user at the terminal."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a configuration.

    place: dotted path as the operator would look for it, such as `probe[2].url`; empty for the document itself.

    what: what is wrong with the value, and what is allowed there.

    of: which of several tables it is in (`the 2nd [[probe]], "hide-hub"`), or what set it; empty where that is clear.

    line: the line of the document, counted from 1; 0 if it is not known.
    """

    place: str
    what: str
    of: str = ""
    line: int = 0

    def __str__(self) -> str:
        place = f"{self.place} ({self.of})" if self.of else self.place
        return f"{place}: {self.what}" if place else self.what


class ConfigError(WatchkeeperError):
    """The configuration cannot be used. `problems` holds every one that was found, in document order.

    in_one_line: the text for a log, where each event is a line.
    """

    def __init__(self, source: str, problems: Sequence[Problem]) -> None:
        self.source = source
        self.problems = tuple(problems)
        said = [f"line {each.line}: {each}" if each.line else str(each) for each in self.problems]
        self.in_one_line = f"{source} cannot be used: {'; '.join(said)}"
        super().__init__("\n".join([f"{source} cannot be used:", *(f"  {each}" for each in said)]))


class SecretUnreadable(ConfigError):
    """The only problem is that secrets cannot be read: their files may appear later, on a disk that is mounted late."""


class StartError(WatchkeeperError):
    """The daemon cannot start now; the text says what prevents it and what to do."""


class AccessDenied(StartError):
    """The user who runs this must not do it, or cannot take the rights for it; the text says which user can."""


class InputError(WatchkeeperError):
    """A file that a command was asked to read has the wrong format; the text says where and what to write instead."""


class InputMissing(InputError):
    """A file that a command was asked to read does not exist, or cannot be read."""


class OutputError(WatchkeeperError):
    """A file that a command was asked to write cannot be written; the text says why and what to do."""


class StoreError(WatchkeeperError):
    """The database cannot do what was asked."""


class StoreMissing(StoreError):
    """There is no database, or no backup, at that path."""


class StoreFull(StoreError):
    """There is no space for the database to grow; the caller keeps what was to be written."""


class StoreDamaged(StoreError):
    """The file is not a watchkeeper database, or its pages are broken."""


class StoreTooNew(StoreError):
    """The database was written by a later version of watchkeeper."""


class ArchiveError(WatchkeeperError):
    """The archive in PostgreSQL cannot be reached, or cannot do what was asked."""


class ArchiveRefused(ArchiveError):
    """The archive does not take this host as it is configured; the text says what to change."""


class ProbeError(WatchkeeperError):
    """A probe could not observe."""


class ProbeTimeout(ProbeError, TimeoutError):
    """No answer in time; the call was abandoned and nothing else was delayed."""


class StillHanging(ProbeError):
    """An earlier call to the same thing was abandoned and has not returned, so no second one is started."""


class ToolMissing(ProbeError):
    """The program that has the information is not installed."""


class PrivilegeMissing(ProbeError):
    """The probe lacks the permission to read what it should observe."""


class DeliveryError(WatchkeeperError):
    """A notifier could not deliver a message."""


class DeliveryDeferred(DeliveryError):
    """Delivery may work later. `retry_after_s` is the delay that the receiver asked for, if any."""

    def __init__(self, what: str, *, retry_after_s: float | None = None) -> None:
        super().__init__(what)
        self.retry_after_s = retry_after_s


class DeliveryRefused(DeliveryError):
    """The receiver will never accept this message as it is."""
