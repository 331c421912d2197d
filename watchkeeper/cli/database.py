"""Opens the database for commands that only read, and gives the remedy if there is none."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from watchkeeper.config.paths import SYSTEM_STATE
from watchkeeper.errors import StoreError, StoreMissing
from watchkeeper.settings import Settings
from watchkeeper.store import Store


@asynccontextmanager
async def opened(settings: Settings) -> AsyncIterator[Store]:
    """The database, for reading. Raises StoreError that says where it was expected."""
    async with await Store.open(there(settings), read_only=True) as store:
        yield store


def there(settings: Settings) -> Path:
    """Where the database is. Raises StoreError if there is none, or if this user may not read there."""
    path = place(settings)
    try:
        if not path.exists():
            raise StoreMissing(f"there is no database at {path} yet; {_remedy(settings)}")
    except PermissionError:
        raise StoreError(
            f"{path} may not be looked at by this user; run this as the user that runs watchkeeper"
        ) from None
    return path


def place(settings: Settings) -> Path:
    """The database to use: the configured one, else this user's own, else the service's.

    Root, who administers the service, has no database of its own, and only systemd sets the path of the service's.
    """
    own, service = settings.store.path, SYSTEM_STATE
    if "path" in settings.store.model_fields_set:
        return own
    try:
        return service if not own.exists() and service.exists() else own
    except PermissionError:
        return own


def _remedy(settings: Settings) -> str:
    other = SYSTEM_STATE
    if settings.store.path != other and _there(other):
        return f"the service keeps its own at {other}: read it with WATCHKEEPER_STORE__PATH={other}"
    return "start `watchkeeper run`, or name the configuration that it runs with by --config"


def _there(path: Path) -> bool:
    """Whether it exists, or is hidden from this user, as a service's own folder is."""
    try:
        return path.exists()
    except PermissionError:
        return True
