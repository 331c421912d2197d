"""The operator's actions for tests of the page: applied to an in-memory store, and recorded."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from tests.support.readstore import ReadStoreDouble
from watchkeeper.config.types import SecretSource
from watchkeeper.model import alert as tables
from watchkeeper.model.alert import Alert, Concern, Event, Priority, State
from watchkeeper.model.observation import SeriesKey
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.web.auth import passwords

PASSWORD = "the hides are heated"


@dataclass
class ActingDouble:
    """Implements web.auth.actions.Actions on a store in memory."""

    store: ReadStoreDouble
    probes: Sequence[str] = ("host", "hide-hub")
    notifiers: Sequence[str] = ("mail",)
    done: list[tuple[str, ...]] = field(default_factory=list)

    def _alert(self, key: SeriesKey, concern: Concern) -> Alert | None:
        return next((a for a in self.store.raised if (a.key, a.concern) == (key, concern)), None)

    def _put(self, after: Alert) -> None:
        self.store.raised = [
            after if (a.key, a.concern) == (after.key, after.concern) else a for a in self.store.raised
        ]

    async def acknowledge(self, key: SeriesKey, concern: Concern) -> bool:
        self.done.append(("acknowledge", str(key), concern))
        alert = self._alert(key, concern)
        if alert is None or (alert.state, Event.ACKNOWLEDGE) not in tables.TABLE:
            return False
        state = State.ACKNOWLEDGED if alert.state is State.ACTIVE else State.NORMAL
        self._put(replace(alert, state=state, acknowledged_at=self.store.now))
        return True

    async def shelve(self, key: SeriesKey, concern: Concern, until: datetime | None) -> bool:
        self.done.append(("shelve", str(key), concern, until.isoformat() if until else "once"))
        alert = self._alert(key, concern)
        if alert is not None:
            self._put(replace(alert, shelved_until=until))
        return alert is not None

    async def unshelve(self, key: SeriesKey, concern: Concern) -> bool:
        self.done.append(("unshelve", str(key), concern))
        alert = self._alert(key, concern)
        if alert is None or not alert.shelved(self.store.now):
            return False
        self._put(replace(alert, shelved_until=None))
        return True

    async def note(self, text: str, key: SeriesKey | None) -> None:
        self.done.append(("note", text, str(key) if key else ""))
        self.store.note(self.store.now, text, key=key)

    async def simulate(self, subject: str, priority: Priority, lasts_s: float) -> bool:
        self.done.append(("simulate", subject, priority.word, str(lasts_s)))
        return any(each.key.subject == subject for each in self.store.all_series)

    async def maintain(self, subject: str, until: datetime, reason: str) -> bool:
        self.done.append(("maintain", subject, until.isoformat(), reason))
        self.store.planned = [Maintenance(subject, self.store.now, until, reason)]
        return any(each.key.subject == subject for each in self.store.all_series)

    async def end_maintenance(self, subject: str) -> bool:
        self.done.append(("end_maintenance", subject))
        found, self.store.planned = self.store.planned, []
        return bool(found)

    async def run_now(self, label: str) -> str:
        if label not in self.probes:
            raise KeyError(label)
        self.done.append(("run", label))
        return f"{label} ran."

    async def send_test(self, notifier: str) -> str:
        if notifier not in self.notifiers:
            raise KeyError(notifier)
        self.done.append(("test", notifier))
        return f"A test message went to {notifier}."


def password_file(place: Path, password: str = PASSWORD) -> SecretSource:
    """A file with a password's hash, made with a low cost; the real cost has its own tests."""
    bare = passwords.Hashed(10, passwords.BLOCK, 1, b"salt of the sea!", bytes(32))
    hashed = replace(bare, digest=passwords._digest(password, bare))
    path = place / "page-password"
    path.write_text(f"{hashed}\n")
    path.chmod(0o600)
    return SecretSource(file=path)
