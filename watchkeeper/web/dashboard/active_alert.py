"""An alert that is not in its normal state, with what is known about it. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.alert import OPEN, Alert, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Observation


@dataclass(frozen=True, slots=True)
class ActiveAlert:
    """An alert that is not in its normal state, with the newest finding and observation behind it.

    at: the page's own time. holds: the alerts that follow from this one; they are shown below it and nowhere else.
    """

    alert: Alert
    series_id: int | None
    finding: Finding | None
    observation: Observation | None
    at: datetime
    holds: tuple["ActiveAlert", ...] = ()

    @property
    def whole(self) -> Iterator["ActiveAlert"]:
        """The event: this alert, and all that follow from it."""
        yield self
        for each in self.holds:
            yield from each.whole

    @property
    def also(self) -> tuple["ActiveAlert", ...]:
        """Further alerts of the same subject: a pool that is full is suspended too."""
        return tuple(each for each in self.holds if each.alert.key.subject == self.alert.key.subject)

    @property
    def consequences(self) -> tuple["ActiveAlert", ...]:
        """What stopped with it: alerts of other subjects, from whichever alert of this subject they follow."""
        found: list[ActiveAlert] = []
        for each in self.holds:
            found += each.consequences if each in self.also else [each]
        return tuple(found)

    @property
    def needs(self) -> bool:
        """Must someone look at the event? Not if what is active was suppressed because of a known cause."""
        return any(
            each.alert.state is State.ACTIVE
            and (each is self or (each.alert.held_by is None and not each.alert.shelved(self.at)))
            for each in self.whole
        )

    @property
    def open(self) -> bool:
        """Can any part of the event be acknowledged?"""
        return any(each.alert.state in OPEN for each in self.whole)
