"""The planned maintenance that is under way. Not here: what it suppresses (alerting/correlation.py)."""

from collections.abc import Callable, Iterable
from datetime import datetime

from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.model.observation import OWN_SUBJECT
from watchkeeper.model.operator.maintenance import LONGEST_MAINTENANCE, Maintenance


class PlannedMaintenance:
    """At most one for each subject."""

    def __init__(self) -> None:
        self._by_subject: dict[str, Maintenance] = {}

    def restore(self, stored: Iterable[Maintenance]) -> None:
        """Continue with what was stored."""
        self._by_subject = {each.subject: each for each in stored}

    @property
    def all(self) -> tuple[Maintenance, ...]:
        """Those that have not been ended, in their order."""
        return tuple(self._by_subject.values())

    def begin(self, subject: str, until: datetime, reason: str, now: datetime) -> Maintenance:
        """Begin one, or change the one of that subject. It is never longer than LONGEST_MAINTENANCE from now on."""
        made = Maintenance(subject, now, min(until, now + LONGEST_MAINTENANCE), reason)
        self._by_subject[subject] = made
        return made

    def end(self, subject: str) -> Maintenance | None:
        """End one; None if there is none."""
        return self._by_subject.pop(subject, None)

    def take_over(self, now: datetime) -> list[Maintenance]:
        """End those whose time is over; a clock that was set back must not extend one."""
        over = [each for each in self.all if now >= each.until or each.until - now > LONGEST_MAINTENANCE]
        for each in over:
            del self._by_subject[each.subject]
        return over

    def covering(self, dependencies: Dependencies) -> Callable[[str, datetime], datetime | None]:
        """Returns the time until which a subject is in maintenance itself, or something that it depends on."""
        return lambda subject, now: self._until(dependencies, subject, now)

    def _until(self, dependencies: Dependencies, subject: str, now: datetime) -> datetime | None:
        if not self._by_subject:
            return None
        if subject.startswith(OWN_SUBJECT):
            return self._until_of_probe(dependencies, subject, now)
        names = {*dependencies.names(subject), *dependencies.dependencies_of(subject)}
        ends = [each.until for each in self.all if each.subject in names and now < each.until]
        return max(ends, default=None)

    def _until_of_probe(self, dependencies: Dependencies, own: str, now: datetime) -> datetime | None:
        """A probe may fail while all that it observes is in maintenance."""
        label = own.removeprefix(OWN_SUBJECT)
        observed = [subject for subject in dependencies.subjects_of(label) if subject != own]
        ends = [self._until(dependencies, each, now) for each in observed]
        known = [each for each in ends if each is not None]
        return min(known) if known and len(known) == len(ends) else None
