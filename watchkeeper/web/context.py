"""What every handler works with: the store, the clock, the daemon's own state, and how the page is named."""

from dataclasses import dataclass
from datetime import datetime, tzinfo

from aiohttp import web

from watchkeeper.clock import Clock
from watchkeeper.core.ports import ReadStore
from watchkeeper.core.records import Series
from watchkeeper.web.board import Board, lay_out
from watchkeeper.web.problems import not_found
from watchkeeper.web.vitals import Vitals


@dataclass(frozen=True, slots=True)
class Context:
    """host: the watched host's name. zone: its time zone. prefix: of links, behind a reverse proxy."""

    store: ReadStore
    clock: Clock
    vitals: Vitals
    host: str
    zone: tzinfo
    prefix: str

    async def board(self, now: datetime) -> Board:
        """The board as it is now."""
        store = self.store
        return lay_out(await store.series(), await store.latest(), await store.findings(), await store.alerts(), now)

    async def one(self, series_id: int) -> Series:
        """The series with an id. Raises Refusal (404) where there is none."""
        for each in await self.store.series():
            if each.id == series_id:
                return each
        raise not_found(f"There is no series {series_id}.")


CONTEXT = web.AppKey("context", Context)


def of(request: web.Request) -> Context:
    """The context of a request."""
    return request.app[CONTEXT]
