"""What there is on this host and no probe of the configuration covers: listed as not observed, so that OK excludes it.

Discovery finds what there is, and the configuration is compared with it again at each run (discovery/coverage.py). No
alert comes from here: what nobody asked to be monitored is no fault.
"""

from collections.abc import Sequence
from fnmatch import fnmatchcase
from typing import Literal

from pydantic import Field

from watchkeeper.config.types import Duration, ProbeSettings
from watchkeeper.model.observation import Observed, Unseen
from watchkeeper.model.units import DAY_S, HOUR_S
from watchkeeper.probes.base import BaseProbe, ProbeContext


class CoverageSettings(ProbeSettings):
    """What discovery finds on this host and no probe covers. It is listed as not checked, and raises no alert."""

    kind: Literal["coverage"] = "coverage"
    every: Duration = Field(HOUR_S, description="time between comparisons with the configuration")
    timeout: Duration = Field(120.0, description="time after which an examination of the host is abandoned")
    look_every: Duration = Field(DAY_S, description="time after which the host is examined again")
    exclude: tuple[str, ...] = Field(
        (), description="what need not be covered: kinds of probe, or things such as pool skerry; globs"
    )


class CoverageProbe(BaseProbe):
    """Compares the host with the configuration."""

    def __init__(self, settings: CoverageSettings, context: ProbeContext) -> None:
        self._settings, self._context = settings, context

    async def observe(self) -> Sequence[Observed]:
        """List what is not covered. Raises ProbeTimeout, StillHanging and ProbeError if the host is not examined."""
        settings, port = self._settings, self._context.coverage
        if port is None:
            return [Unseen("what no probe covers", "only the daemon and `watchkeeper probe` compare it")]
        found = await port.uncovered(self._context, settings.label, settings.look_every, settings.timeout)
        return [Unseen(each.what, each.why) for each in found if not self._excluded(each.kinds, each.what)]

    def _excluded(self, kinds: Sequence[str], what: str) -> bool:
        return any(fnmatchcase(name, glob) for name in (*kinds, what) for glob in self._settings.exclude)
