"""What the page may ask of the daemon.

Passes requests on to the pipeline, the schedule and the notifiers of the active configuration. Nothing is decided here;
the page decides who may ask (web/auth/session_auth.py).
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime, tzinfo
from typing import Protocol

from watchkeeper.clock import Clock
from watchkeeper.errors import DeliveryError, StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.messages.build import test_message
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.change import ChangeKind
from watchkeeper.model.observation import Condition, SeriesKey
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import Entry
from watchkeeper.notifiers.base import Notifier
from watchkeeper.runtime.runner import Runner

log = logging.getLogger(__name__)

PATIENCE_S = 8.0
"""How long a person who pressed a button waits for the answer; the run itself continues."""


class Runs(Protocol):
    """Runs probes on request."""

    def now(self, label: str) -> asyncio.Future[None]:
        """Run one probe now; the future is done when the run is. Raises KeyError for an unknown label."""
        ...


class Delivers(Protocol):
    """Delivers messages."""

    @property
    def notifiers(self) -> Sequence[Notifier]:
        """The notifiers of the active configuration."""
        ...


class DaemonActions:
    """Implements web.auth.actions.Actions on a running daemon."""

    def __init__(
        self,
        runner: Runner,
        schedule: Runs,
        outbox: Delivers,
        clock: Clock,
        host: tuple[str, tzinfo],
        keep_maintenance: Callable[[Sequence[Maintenance]], Awaitable[None]],
    ) -> None:
        """runner: knows the pipeline and the probes. host: the monitored host's name and zone, as used in messages.

        keep_maintenance: stores what maintenance is planned. Raises StoreError.
        """
        self._keep_maintenance = keep_maintenance
        self._runner, self._schedule, self._outbox, self._clock = runner, schedule, outbox, clock
        self._host, self._zone = host

    @property
    def probes(self) -> Sequence[str]:
        """The labels of the probes."""
        return tuple(each.label for each in self._runner.probes)

    @property
    def notifiers(self) -> Sequence[str]:
        """The names of the notifiers."""
        return tuple(each.name for each in self._outbox.notifiers)

    async def acknowledge(self, key: SeriesKey, concern: Concern) -> bool:
        """Record that the operator knows of an alert; False where there was nothing to acknowledge."""
        return await self._runner.pipeline.acknowledge(key, concern)

    async def shelve(self, key: SeriesKey, concern: Concern, until: datetime | None) -> bool:
        """Shelve an alert until an instant, or until it next ends; False where there is no such alert."""
        return await self._runner.pipeline.shelve(key, concern, until, once=until is None)

    async def unshelve(self, key: SeriesKey, concern: Concern) -> bool:
        """Unshelve an alert; False where it is not shelved."""
        return await self._runner.pipeline.unshelve(key, concern)

    async def note(self, text: str, key: SeriesKey | None) -> None:
        """Write a note of the operator into the event log."""
        await self._runner.pipeline.note(Entry.NOTE, text, key)
        noted = f"noted about {key.subject}:" if key else "noted:"
        await self._runner.pipeline.changed(ChangeKind.NOTE, "the operator", noted, text)

    async def simulate(self, subject: str, priority: Priority, lasts_s: float) -> bool:
        """Raise a simulated alert; False where nothing with that subject is monitored."""
        return await self._runner.pipeline.simulate(subject, priority, lasts_s)

    async def maintain(self, subject: str, until: datetime, reason: str) -> bool:
        """Begin the maintenance of a subject; False where nothing with that subject is monitored."""
        done = await self._runner.pipeline.maintain(subject, until, reason)
        await self._remember_maintenance()
        return done

    async def end_maintenance(self, subject: str) -> bool:
        """End the maintenance of a subject; False where there is none."""
        done = await self._runner.pipeline.end_maintenance(subject)
        await self._remember_maintenance()
        return done

    async def _remember_maintenance(self) -> None:
        """Store what is planned, for the next start. If that fails now, it lasts until then."""
        try:
            await self._keep_maintenance(self._runner.pipeline.state.maintenance.all)
        except StoreError as error:
            log.error("planned maintenance cannot be stored: %s", error, extra=about(Event.CONTROL))  # noqa: TRY400  text says it all

    async def run_now(self, label: str) -> str:
        """Run a probe now and return the outcome. Raises KeyError for an unknown label."""
        probe = {each.label: each for each in self._runner.probes}[label]
        try:
            await asyncio.wait_for(asyncio.shield(self._schedule.now(label)), PATIENCE_S)
        except TimeoutError:
            return f"{label} has been started; it is still running."
        await self._runner.pipeline.state.buffer.flush()  # the page that is shown next reads the store
        entry = self._runner.pipeline.state.registry.get(probe.own_key)
        own = entry.evaluator.latest if entry is not None else None
        if isinstance(own, Condition) and not own.ok:
            return f"{label} ran, but failed: {own.reason}"
        return f"{label} ran."

    async def send_test(self, notifier: str) -> str:
        """Send a test message and return the outcome. Raises KeyError where there is no notifier of that name."""
        to = {each.name: each for each in self._outbox.notifiers}[notifier]
        message = test_message(self._host, self._clock.now(), self._zone)
        try:
            await asyncio.wait_for(to.deliver(message), PATIENCE_S)
        except DeliveryError as error:
            return f"The test message was not delivered by {notifier}: {str(error).removeprefix(f'{notifier}: ')}"
        except TimeoutError:
            return f"The test message was not delivered by {notifier} within {PATIENCE_S:.0f} s; it was cancelled."
        return f"The test message was sent by {notifier}."
