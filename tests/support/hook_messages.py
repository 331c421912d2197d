"""The messages that a webhook received, by what they are about."""

import asyncio
import logging
import time
from typing import Any

from tests.support.receivers import Hook
from tests.support.waiting import until

_log = logging.getLogger(__name__)


class HookMessages:
    """What the daemon has sent, by subject and quantity."""

    def __init__(self, hook: Hook) -> None:
        self._hook = hook

    def about(self, subject: str, quantity: str = "") -> list[dict[str, Any]]:
        """The messages about one thing, in order."""
        data = [each["data"] for each in self._hook.events]
        return [each for each in data if each["subject"] == subject and quantity in ("", each["quantity"])]

    async def message(self, subject: str, quantity: str, number: int, within_s: float = 300) -> dict[str, Any]:
        """The message of this number about a thing."""
        come, began_s = f"message {number} about {subject}: {quantity}", time.monotonic()
        found: list[dict[str, Any]] = await asyncio.to_thread(
            until, come, lambda: self.about(subject, quantity)[number:], within_s
        )
        _log.info("%s: %s (after %.0f s)", come, found[0]["headline"], time.monotonic() - began_s)
        return found[0]


def plain(message: dict[str, Any]) -> str:
    """The body of a message without its line breaks."""
    return " ".join(message["body"].split())
