"""What the outbox keeps for each notifier, and how it records the result of a delivery. Not here: deliveries."""

import asyncio
import math
import traceback
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from watchkeeper.logs.fields import Event, about
from watchkeeper.model.records import Delivery, Entry, EventLine
from watchkeeper.notifiers.base import Notifier
from watchkeeper.notifiers.outbox.memory_queue import MemoryQueue


@dataclass(slots=True)
class DeliveryQueue:
    """One notifier's own state.

    unwritten: deliveries by id whose new state the store has not saved yet, with their event log entries.
    due_s: by delivery id, when the next attempt is due on the monotonic clock: the wall clock may be set meanwhile.
    failing: since when, on the monotonic clock, no delivery has succeeded, and why; None if the last one succeeded.
    accepts: the last attempt succeeded, or there was none since the start: what failed before is tried at once.
    asked: ids of deliveries for which somebody asked for the present wait: the receiver, or another station.
    early_failed_s: when, on the monotonic clock, such an early attempt failed last.
    unreadable: since when, on the monotonic clock, the outbox cannot be read, and why; None if it can.
    unstored: deliveries that the store has no space for.
    over: it delivers no more. tasks: what it runs; the first one delivers.
    """

    notifier: Notifier
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    unwritten: dict[int, tuple[Delivery, EventLine | None]] = field(default_factory=dict)
    due_s: dict[int, float] = field(default_factory=dict)
    failing: tuple[float, str] | None = None
    accepts: bool = True
    asked: set[int] = field(default_factory=set)
    early_failed_s: float = -math.inf
    unreadable: tuple[float, str] | None = None
    unstored: MemoryQueue = field(default_factory=MemoryQueue)
    over: bool = False
    tasks: list[asyncio.Task[None]] = field(default_factory=list)

    def trouble(self, since_s: float) -> str:
        """Why nothing has been delivered since then; empty if something has, or there was nothing to deliver."""
        lasting = (each for each in (self.unreadable, self.failing) if each is not None and each[0] <= since_s)
        return next((why for _, why in lasting), "")

    async def end(self, grace_s: float) -> None:
        """Stop delivering, and close the notifier.

        A delivery in progress has `grace_s` seconds to end; then it is cut off.
        """
        self.over = True
        self.wake.set()
        if self.tasks:
            _, late = await asyncio.wait(self.tasks[:1], timeout=grace_s)
            for task in (*late, *self.tasks[1:]):
                task.cancel()
            await asyncio.wait(self.tasks)
        await self.notifier.close()


def line_about(delivery: Delivery, at: datetime, text: str) -> EventLine:
    """The event log entry about a delivery."""
    message = delivery.message
    details = {"notifier": delivery.notifier, "message": message.id, "attempts": str(delivery.tries)}
    if delivery.trouble:
        details["error"] = delivery.trouble
    return EventLine(at, Entry.DELIVERY, text, message.key, message.concern, details)


def log_fields(event: Event, delivery: Delivery) -> dict[str, dict[str, str]]:
    """The fields of a log line about a delivery."""
    message, attempts = delivery.message, str(delivery.tries)
    return about(
        event, key=message.key, concern=message.concern, notifier=delivery.notifier, alert=message.id, attempts=attempts
    )


def error_location(error: Exception) -> str:
    """The place in the code that raised, without any value: `mail.py:120`."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    return f"{Path(last.filename).name}:{last.lineno}"
