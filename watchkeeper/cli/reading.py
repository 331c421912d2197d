"""Opens the database for commands that only read, and says what to do where there is none."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from watchkeeper.config.places import SYSTEM_STATE
from watchkeeper.errors import StoreError
from watchkeeper.settings import Settings
from watchkeeper.store import Store


@asynccontextmanager
async def opened(settings: Settings) -> AsyncIterator[Store]:
    """The database, for reading. Raises StoreError that says where it was looked for."""
    path = settings.store.path
    if not path.exists():
        raise StoreError(f"there is no database at {path} yet; {_remedy(settings)}")
    async with await Store.open(path, read_only=True) as store:
        yield store


def _remedy(settings: Settings) -> str:
    other = SYSTEM_STATE
    if settings.store.path != other and other.exists():
        return f"the service keeps its own at {other}: read it with WATCHKEEPER_STORE__PATH={other}"
    return "start `watchkeeper run`, or name the configuration that it runs with by --config"
