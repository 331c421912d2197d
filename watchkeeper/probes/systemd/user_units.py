"""Units of users whose service managers run without a login (loginctl enable-linger): which have failed.

Rootless containers and many sync programs run as such units; the system's manager knows nothing of them. Their managers
answer only their own user and root: the helper asks them.
"""

from collections.abc import Sequence
from fnmatch import fnmatchcase
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Observed, SeriesKey, Unseen
from watchkeeper.privileged.commands import Result
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support import systemctl
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, text_of

NAMED_LIMIT = 5
"""Maximum names in the reason; the rest are counted."""


class UserUnitsSettings(RootsideSettings):
    """Units of users who need not be logged in: which have failed. Needs the helper."""

    kind: Literal["user-units"] = "user-units"
    every: Duration = Field(300.0, description="time from one sample to the next")
    exclude: tuple[str, ...] = Field((), description="units whose failures do not matter; globs")


class UserUnitsProbe(BaseProbe):
    """Monitors the service manager of each lingering user."""

    def __init__(self, settings: UserUnitsSettings, bench: ProbeContext) -> None:
        self._settings, self._bench = settings, bench

    async def observe(self) -> Sequence[Observed]:
        """Ask each manager. Raises ProbeError if the helper does not answer, or no user lingers."""
        settings = self._settings
        results = await ask_root(self._bench, "user-units", settings.helper, settings.timeout)
        if not results:
            raise ProbeError("no user has lingering enabled here; enable it with loginctl, or drop this probe")
        return [self._of(each) for each in results]

    def _of(self, result: Result) -> Observed:
        name = clip(printable(result.target))
        try:
            units = systemctl.read_units(text_of(result.ran, "systemctl", self._settings.timeout))
        except ProbeError as error:
            return Unseen(f"units of user {name}", str(error))
        failed = [each for each in units if not any(fnmatchcase(each, glob) for glob in self._settings.exclude)]
        more = f" and {len(failed) - NAMED_LIMIT} more" if len(failed) > NAMED_LIMIT else ""
        reason = f"failed: {', '.join(printable(each) for each in failed[:NAMED_LIMIT])}{more}" if failed else ""
        return Condition(SeriesKey(f"user {name}", "units"), not failed, clip(reason, 300))
