"""What opens the page besides the password, in the store: private addresses of feeds, and passkeys.

Of an address only the digest is stored: who reads the database cannot read the feeds with it. Of a passkey only its
public key is known here. Not here: what an address leads to (feeds/addresses.py), and how a passkey signs in
(passkeys/).
"""

import asyncio
import logging
from collections.abc import Callable
from datetime import datetime

from aiohttp import web
from pydantic import BaseModel, ConfigDict, ValidationError

from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.probe_state import StateStore

log = logging.getLogger(__name__)

OWNER = " page access"
"""Whose text it is in the store. A leading space: no probe has such a label."""


class _Stored(BaseModel):
    """A part of the stored text; a later version's fields are ignored."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class FeedAddress(_Stored):
    """A private address. digest: SHA-256 of its token in hexadecimal; its beginning names it in forms."""

    name: str
    digest: str
    made_at: datetime

    @property
    def id(self) -> str:
        """What a form calls it."""
        return self.digest[:16]


class Passkey(_Stored):
    """A passkey. id: of the credential, in base64url. site: the name of the page (RP ID) that it belongs to.

    data: the attested credential data (WebAuthn Level 2, 6.5.1) in base64url, which has the public key. count: the
    signature counter at the last sign-in.
    """

    id: str
    name: str
    site: str
    data: str
    made_at: datetime
    count: int = 0
    used_at: datetime | None = None


class Access(_Stored):
    """All of it."""

    feeds: tuple[FeedAddress, ...] = ()
    passkeys: tuple[Passkey, ...] = ()


class StoredAccess:
    """Reads and changes it. The daemon is the only writer, so what was read once stays valid."""

    def __init__(self, store: StateStore) -> None:
        self._store = store
        self._known: Access | None = None
        self._lock = asyncio.Lock()

    async def read(self) -> Access:
        """What is stored; nothing if it cannot be read: then neither an address nor a passkey opens anything."""
        try:
            return await self._load()
        except StoreError as error:
            log.warning("the page's addresses and passkeys cannot be read: %s", error, extra=about(Event.PAGE))
            return Access()

    async def change(self, changed: Callable[[Access], Access]) -> None:
        """Replace what is stored. Raises StoreError if it cannot be read or written; then the old state holds."""
        async with self._lock:
            after = changed(await self._load())
            await self._store.write(OWNER, after.model_dump_json())
            self._known = after

    async def _load(self) -> Access:
        if self._known is None:
            text = await self._store.read(OWNER)
            self._known = _parsed(text) if text else Access()
        return self._known


def _parsed(text: str) -> Access:
    try:
        return Access.model_validate_json(text)
    except ValidationError as error:
        said = "the page's addresses and passkeys are damaged (%d errors) and have to be made again"
        log.warning(said, error.error_count(), extra=about(Event.PAGE))
        return Access()


STORED_ACCESS = web.AppKey("stored_access", StoredAccess)
