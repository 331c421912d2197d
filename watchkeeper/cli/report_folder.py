"""Where a command leaves a report for the daemon: beside the database that the daemon writes to."""

from pathlib import Path

from watchkeeper.config import paths
from watchkeeper.errors import AccessDenied, StoreMissing
from watchkeeper.settings import Settings
from watchkeeper.store.files import job_spool


def report_folder(known: Settings) -> Path:
    """The folder of reports. Raises StoreMissing if there is no database, AccessDenied if this user may not see it."""
    return job_spool.spool_of(_database(known))


def _database(known: Settings) -> Path:
    """The database that the daemon writes to: the configured one, else this user's own, else the service's.

    Raises StoreMissing if there is none, AccessDenied if this user may not see it.
    """
    own, service = known.store.path, paths.SYSTEM_STATE
    tried = [own] if "path" in known.store.model_fields_set else [own, service]
    try:
        found = next((path for path in tried if path.exists()), None)
    except OSError as error:
        raise AccessDenied(
            f"{error.filename} may not be looked at by this user; run this as root or as the user that runs watchkeeper"
        ) from None
    if found is None:
        where = " nor at ".join(str(path) for path in dict.fromkeys(tried))
        raise StoreMissing(f"there is no database at {where} yet; start `watchkeeper run`, or name its configuration")
    return found
