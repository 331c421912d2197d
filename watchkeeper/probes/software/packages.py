"""What apt and dpkg report, as observations: half-configured packages, old lists, repositories that are not valid.

Not here: reading the files (apt.py), and updates (software.py).
"""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path

from watchkeeper.model.observation import Condition, Deadline, Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import DAY_S, format_age
from watchkeeper.os_errors import explained
from watchkeeper.probes.software import apt, signatures
from watchkeeper.probes.support.sanitize import clip

CONFIGURED = SeriesKey("packages", "configured")
LISTS = SeriesKey("packages", "package lists")
REPOSITORIES = SeriesKey("packages", "repositories")

NAMED = 5

LOCKED_LIMIT_S = 4 * 3600.0
"""An upgrade of a whole release takes less; one that waits for an answer holds its lock for days."""

STATUS_LIMIT_BYTES = 64 * 2**20
"""/var/lib/dpkg/status has about 1 MB for 800 packages."""


class PackageFiles:
    """Reads the files of apt and dpkg again only if they changed. Blocks."""

    def __init__(self, root: Path, lists_limit_s: float) -> None:
        self._root, self._lists_limit_s = root, lists_limit_s
        self._states: tuple[int, apt.PackageStates] | None = None
        self._refused: tuple[int, datetime, Mapping[Path, str]] | None = None

    def observe(self, locked_at: datetime | None, now: datetime) -> Iterator[Observed]:
        """All that is known. locked_at: since when apt or dpkg is at work; None if neither is."""
        yield self._configured(locked_at, now)
        updated_at = apt.updated_at(self._root)
        if updated_at is None:
            yield Unseen("packages: package lists", "there are none; run `apt update`")
            return
        due_at = updated_at + timedelta(seconds=self._lists_limit_s)
        yield Deadline(LISTS, due_at, updated_at, self._lists_limit_s)
        yield from self._repositories(now, fresh=due_at > now)

    def _configured(self, locked_at: datetime | None, now: datetime) -> Observed:
        if locked_at is not None:
            lasts_s = (now - locked_at).total_seconds()
            reason = f"apt or dpkg has been at work for {format_age(lasts_s)}" if lasts_s > LOCKED_LIMIT_S else ""
            return Condition(CONFIGURED, not reason, reason, facts=(("now", "apt or dpkg is at work"),))
        try:
            states = self._read_states()
        except OSError as error:
            return Unseen("packages: configured", f"{self._root / apt.STATUS} cannot be read: {explained(error)}")
        facts: Facts = (("held", _listed(states.held)),) if states.held else ()
        return Condition(CONFIGURED, not states.unsettled, _listed(states.unsettled), facts=facts)

    def _read_states(self) -> apt.PackageStates:
        changed = (self._root / apt.STATUS).stat().st_mtime_ns
        if self._states is None or self._states[0] != changed:
            with (self._root / apt.STATUS).open("rb") as file:
                self._states = changed, apt.read_states(file.read(STATUS_LIMIT_BYTES))
        return self._states[1]

    def _repositories(self, now: datetime, *, fresh: bool) -> Iterator[Observed]:
        """Repositories that apt does not accept any more. fresh: the lists were fetched within the limit.

        The end of an index's validity counts only if the lists are fresh: else they are what has to be fetched.
        """
        found = apt.releases(self._root)
        try:
            refused = dict(self._signatures(found, now))
        except OSError as error:
            yield Unseen("packages: repository keys", f"gpgv cannot be used: {explained(error)}")
            refused = {}
        for each in found if fresh else ():
            until = apt.valid_until(each)
            if until is not None and until < now:
                refused.setdefault(each, f"its index was valid until {until:%Y-%m-%d}, and no newer one came")
        reason = "; ".join(f"{clip(apt.repository(each), 80)}: {why}" for each, why in sorted(refused.items())[:NAMED])
        yield Condition(REPOSITORIES, not reason, reason)

    def _signatures(self, releases: list[Path], now: datetime) -> Mapping[Path, str]:
        changed = apt.fingerprint(self._root)
        kept = self._refused
        if kept is None or kept[0] != changed or not 0 <= (now - kept[1]).total_seconds() < DAY_S:
            kept = self._refused = changed, now, signatures.troubles(releases, apt.keyrings(self._root))
        return kept[2]


def _listed(names: tuple[str, ...]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(clip(each, 60) for each in names[:NAMED]) + more
