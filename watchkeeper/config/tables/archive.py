"""The `[archive]` table: where the common record of several hosts is. Not here: copying to it (watchkeeper/archive)."""

from typing import Annotated

from pydantic import Field

from watchkeeper.config.fields import LONGEST_S, Duration, Strict
from watchkeeper.config.types import SecretSource


class ArchiveSettings(Strict):
    """The archive of several hosts in PostgreSQL, to which everything that is stored here is copied.

    url: where the address is, as `watchkeeper archive-init` prints it. By default nothing is copied.
    every: time from one copy to the next.
    accept_requests: whether this host does what a station asks through the archive: acknowledge an alert.
    silent_after: for a station: how long a host may not write to the archive before that is reported.
    max_lag: how old the newest complete copy may be before that is reported.
    """

    url: SecretSource | None = None
    every: Annotated[Duration, Field(ge=1, le=3600)] = 15.0
    accept_requests: bool = False
    silent_after: Annotated[Duration, Field(ge=5, le=LONGEST_S)] = 180.0
    max_lag: Annotated[Duration, Field(ge=60, le=LONGEST_S)] = 3600.0
