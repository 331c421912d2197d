"""Holds the notifiers of other packages to the contract of a notifier, whatever their code does.

An entry point of the group `watchkeeper.notifiers` leads to a NotifierKind (base.py). Not here: how entry points are
found and loaded (config/plugin_kinds.py).
"""

import asyncio
import logging
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from watchkeeper.clock import Clock
from watchkeeper.config.plugin_kinds import PluginGroup
from watchkeeper.errors import DeliveryDeferred, DeliveryRefused
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.alert import Priority
from watchkeeper.model.message import Message
from watchkeeper.model.units import format_duration
from watchkeeper.notifiers.base import BackgroundNotifier, Notifier, NotifierKind, ReceiverSettings

log = logging.getLogger(__name__)


def checked(kind: NotifierKind[Any]) -> NotifierKind[Any]:
    """The kind, with notifiers that are held to the contract."""
    return NotifierKind(kind.settings, _Maker(kind))


GROUP: PluginGroup[NotifierKind[Any]] = PluginGroup(
    "watchkeeper.notifiers", "notifier", NotifierKind, ReceiverSettings, checked, Event.NOTIFIER_KIND
)


@dataclass(frozen=True, slots=True)
class _Maker:
    """Makes notifiers of a kind that are held to the contract."""

    kind: NotifierKind[Any]

    def __call__(self, settings: ReceiverSettings, clock: Clock) -> Notifier:
        try:
            notifier = self.kind.make(settings, clock)
        except Exception as error:  # noqa: BLE001  a package may raise anything; its messages wait in the outbox
            return Checked(settings, Unmade(settings, f"the notifier cannot be created: {_failure(error)}"))
        kind = CheckedBackground if isinstance(notifier, BackgroundNotifier) else Checked
        return kind(settings, notifier)


class Checked:
    """A notifier with the name and the priority of its settings, and a bound for each delivery.

    An error that the contract does not know defers the message. Its text may hold a secret: only its type and place
    are logged.
    """

    def __init__(self, settings: ReceiverSettings, notifier: Notifier) -> None:
        self._settings, self._notifier = settings, notifier

    @property
    def name(self) -> str:
        """The notifier's name in the outbox and the event log."""
        return self._settings.label

    @property
    def at_least(self) -> Priority:
        """The least urgent priority that its receiver wants to be notified of."""
        return self._settings.at_least

    async def deliver(self, message: Message) -> None:
        """Deliver within the settings' timeout. Raises DeliveryDeferred or DeliveryRefused, and nothing else."""
        bound = asyncio.timeout(self._settings.timeout)
        try:
            async with bound:
                await self._notifier.deliver(message)
        except (DeliveryDeferred, DeliveryRefused):
            raise
        except Exception as error:  # noqa: BLE001  a package may raise anything; the message waits in the outbox
            if bound.expired():
                limit = format_duration(self._settings.timeout)
                raise DeliveryDeferred(f"{self.name}: no delivery within {limit}") from None
            what = f"a delivery failed with {_failure(error)}"
            log.error("%s: %s", self.name, what, extra=about(Event.DELIVERY_ERROR, notifier=self.name))  # noqa: TRY400  its text may hold a secret
            raise DeliveryDeferred(f"{self.name}: {what}") from None

    async def close(self) -> None:
        """Close it within the settings' timeout. A failure in it delays nothing else."""
        try:
            async with asyncio.timeout(self._settings.timeout):
                await self._notifier.close()
        except Exception as error:  # noqa: BLE001  the daemon goes on, or ends, all the same
            fields = about(Event.DELIVERY_ERROR, notifier=self.name)
            log.warning("%s: it could not be closed: %s", self.name, _failure(error), extra=fields)


class CheckedBackground(Checked):
    """A checked notifier that has something to do between deliveries."""

    async def attend(self) -> None:
        """Run it. The outbox logs what it raises, and starts it again."""
        if isinstance(self._notifier, BackgroundNotifier):
            await self._notifier.attend()


class Unmade:
    """Stands for a notifier that its package could not make: its messages wait until it can."""

    def __init__(self, settings: ReceiverSettings, why: str) -> None:
        self.name, self.at_least, self._why = settings.label, settings.at_least, why

    async def deliver(self, message: Message) -> None:  # noqa: ARG002  none can be delivered
        """Raises DeliveryDeferred that says why there is no notifier."""
        raise DeliveryDeferred(f"{self.name}: {self._why}")

    async def close(self) -> None:
        """Nothing is held."""


def _failure(error: Exception) -> str:
    """Type and place of an error, without its text: `TypeError at watch_of_bell.py:12`."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__} at {Path(last.filename).name}:{last.lineno}"
