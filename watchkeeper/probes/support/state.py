"""A probe's state across restarts, read and written as a pydantic model: text that does not fit counts as missing.

The text may come from an earlier version or from an edited database, so it is validated like any input.
"""

import logging
from typing import Generic, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.probe_state import NOTES_LIMIT, StateStore

log = logging.getLogger(__name__)


class StateModel(BaseModel):
    """The state of a probe: frozen, and with a default for every field, so that empty state means a first run."""

    model_config = ConfigDict(frozen=True, extra="ignore")


P = TypeVar("P", bound=StateModel)


class ProbeState(Generic[P]):
    """The state of one probe. If the store cannot keep it, the probe loses its state, never its observations."""

    def __init__(self, store: StateStore, owner: str, empty: P) -> None:
        self._store, self._owner, self._empty = store, owner, empty
        self._page: P | None = None
        self._kept: P | None = None

    async def read(self) -> P:
        """The state that was written or held last; the empty state if there is none or it cannot be read."""
        if self._page is None:
            self._page = self._kept = await self._load()
        return self._page

    def hold(self, page: P) -> None:
        """Keep this state in memory and write nothing yet: what is new in it may be lost with the process."""
        self._page = page

    async def write(self, page: P) -> None:
        """Replace the state. Nothing is written if it equals what is stored already."""
        self._page = page
        if page == self._kept:
            return
        text = page.model_dump_json()
        if len(text) > NOTES_LIMIT:
            self._warn("the state of probe %s is too long to be stored: %d characters", len(text))
            return
        try:
            await self._store.write(self._owner, text)
        except StoreError as error:
            self._warn("the state of probe %s is not stored: %s", error)
            return
        self._kept = page

    async def _load(self) -> P:
        try:
            text = await self._store.read(self._owner)
        except StoreError as error:
            self._warn("the state of probe %s cannot be read: %s", error)
            return self._empty
        try:
            return type(self._empty).model_validate_json(text) if text else self._empty
        except ValidationError:
            self._warn("the state of probe %s is not what it stored; it starts without it")
            return self._empty

    def _warn(self, text: str, *more: object) -> None:
        log.warning(text, self._owner, *more, extra=about(Event.PROBE_STATE, probe=self._owner))
