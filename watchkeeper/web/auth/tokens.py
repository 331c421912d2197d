"""Tokens of jobs and of programs that read: read from their files at each request, and compared as digests.

A token has too many possible values to be guessed (TokenSource refuses others), so it is compared first, and wrong
tries never block the right one. Not here: what a wrong try costs (budgets.py), what a report means.
"""

import asyncio
import errno
import hashlib
import hmac
import logging
from collections.abc import Callable, Mapping

from watchkeeper.config.types import SecretSource
from watchkeeper.logs.fields import Event, about

log = logging.getLogger(__name__)

_PASSING = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EIO, errno.ESTALE, errno.ETIMEDOUT})
"""Errors of a file that exists but cannot be read now: too many open files, a network file system that hangs."""


def _job(name: str) -> str:
    return f"job {name} cannot report over HTTP"


class Tokens:
    """Checks tokens by name, such as those of jobs."""

    def __init__(
        self,
        sources: Callable[[], Mapping[str, SecretSource]],
        loss: Callable[[str], str] = _job,
        event: Event = Event.JOB_REPORT,
    ) -> None:
        """sources: returns where each token is, by name, in the active configuration.

        loss: what does not work while the token of that name cannot be read. event: the sort of that log line.
        """
        self._sources, self._loss, self._event = sources, loss, event
        self._last: dict[str, tuple[SecretSource, bytes]] = {}
        self._troubles: dict[str, str] = {}

    def prime(self) -> None:
        """Read each token once, so that it is known if its file later cannot be read for a while."""
        for name, source in self._sources().items():
            self._expected(name, source)

    async def match(self, name: str, given: str) -> bool:
        """Is this the token of this name? A name that does not exist takes as long as one that does."""
        sources = self._sources()
        source = sources.get(name)
        digest = _digest(given)
        if source is None:
            decoy = next(iter(sources.values()), None)
            if decoy is not None:
                await asyncio.to_thread(_read, decoy)
            hmac.compare_digest(digest, bytes(len(digest)))
            return False
        expected = await asyncio.to_thread(self._expected, name, source)
        return hmac.compare_digest(digest, expected or bytes(len(digest))) and expected is not None

    def _expected(self, name: str, source: SecretSource) -> bytes | None:
        """The digest of the current token of a name; None if there is no valid one."""
        found = _read(source)
        if isinstance(found, bytes):
            self._last[name] = (source, found)
            self._troubles.pop(name, None)
            return found
        self._log_trouble(name, source, found)
        last = self._last.get(name)
        if isinstance(found, OSError) and found.errno in _PASSING and last is not None and last[0] == source:
            return last[1]
        return None

    def _log_trouble(self, name: str, source: SecretSource, error: OSError | ValueError) -> None:
        """Log why a token cannot be read: once, until it can be read or the reason changes."""
        why = (error.strerror if isinstance(error, OSError) else None) or str(error)
        if self._troubles.get(name) == why:
            return
        self._troubles[name] = why
        remedy = "let the user that runs watchkeeper read it" if isinstance(error, OSError) else source.remedy
        text = "%s: its token in %s: %s; %s"
        log.error(text, self._loss(name), source.path, why, remedy, extra=about(self._event))


def _read(source: SecretSource) -> bytes | OSError | ValueError:
    try:
        return _digest(source.read().get_secret_value())
    except (OSError, ValueError) as error:
        return error


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).digest()
