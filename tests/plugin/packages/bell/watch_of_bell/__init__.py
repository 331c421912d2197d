"""A kind of notifier for watchkeeper: a bell at the jetty that takes one line over TCP and answers `rung` or `no`."""

import asyncio
from typing import Literal

from pydantic import Field

from watchkeeper.plugin import (
    Clock,
    DeliveryDeferred,
    DeliveryRefused,
    Message,
    NotifierKind,
    Priority,
    ReceiverSettings,
    SecretSource,
    read_secret,
)

STROKES = {None: 1, Priority.CAUTION: 1, Priority.WARNING: 2, Priority.ALARM: 5}
"""By the alert's priority; None: it has ended."""


class BellSettings(ReceiverSettings):
    """The bell at the jetty."""

    kind: Literal["bell"] = "bell"
    server: str = Field(description="the address of the bell's controller")
    port: int = Field(ge=1, le=65535, description="the TCP port of the bell's controller")
    token: SecretSource = Field(description="where the controller's token is read from")


class Bell:
    """Rings one bell."""

    def __init__(self, settings: BellSettings, clock: Clock) -> None:
        self._settings, self._clock = settings, clock

    @property
    def name(self) -> str:
        """Its name in the configuration."""
        return self._settings.label

    @property
    def at_least(self) -> Priority:
        """The least urgent priority that its receiver wants to hear of."""
        return self._settings.at_least

    async def deliver(self, message: Message) -> None:
        """Ring once. watchkeeper ends it after the settings' timeout."""
        token = read_secret(self._settings.token, "the bell's token")
        line = f"{token} {STROKES[message.priority]} {message.id} {message.headline}\n"
        try:
            answer = await self._asked(line)
        except OSError as error:
            raise DeliveryDeferred(f"the bell cannot be reached: {error.strerror}; is its controller on?") from error
        if answer == "no":
            raise DeliveryRefused("the bell refuses the message; see the log of its controller")
        if answer != "rung":
            raise DeliveryDeferred("the bell has not confirmed that it rang; see the log of its controller")

    async def _asked(self, line: str) -> str:
        reader, writer = await asyncio.open_connection(self._settings.server, self._settings.port, limit=1024)
        try:
            writer.write(line.encode())
            await writer.drain()
            return (await reader.read(64)).decode("ascii", "replace").strip()
        finally:
            writer.close()

    async def close(self) -> None:
        """Nothing is held between deliveries."""


KIND = NotifierKind(BellSettings, Bell)
