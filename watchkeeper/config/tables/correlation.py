"""The `grouping` table: when alerts are reported together instead of one by one.

Not here: dependencies, which each probe declares itself (config/types.py).
"""

from collections.abc import Iterator

from pydantic import Field

from watchkeeper.alerting.correlation.group_alerts import Limits
from watchkeeper.config.fields import Delay, Duration, Strict

_BY_DEFAULT = Limits()


class CorrelationSettings(Strict):
    """When alerts are reported together.

    flood: this many alerts within `flood_within` are an alarm flood, which is reported in one summary.
    flood_ends: the flood ends when fewer alerts than this came within `flood_within`.
    flood_within: the time over which alerts are counted.
    recovery_time: an alert that follows from another one is reported if it is still active this long after that one
        has ended.
    """

    flood: int = Field(default=_BY_DEFAULT.flood, ge=2, le=10_000)
    flood_ends: int = Field(default=_BY_DEFAULT.flood_ends, ge=1, le=10_000)
    flood_within: Duration = _BY_DEFAULT.flood_s
    recovery_time: Delay = _BY_DEFAULT.settle_s

    def disorder(self) -> Iterator[str]:
        """What is wrong with the keys in combination."""
        if self.flood_ends > self.flood:
            yield f"flood_ends is {self.flood_ends}, more than flood; write at most {self.flood}"

    def limits(self) -> Limits:
        """The limits that this describes."""
        return Limits(self.flood, self.flood_ends, self.flood_within, self.recovery_time)
