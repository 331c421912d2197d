"""What a notifier is: takes a message, gives it a form, delivers it or says why not."""

from typing import Protocol

from watchkeeper.core.message import Message


class Notifier(Protocol):
    """Delivers messages to one receiver."""

    name: str

    async def deliver(self, message: Message) -> None:
        """Deliver. Raises DeliveryDeferred where a later try may work, DeliveryRefused where none will.

        The same message may be delivered again after a crash, with the same id.
        """
        ...

    async def close(self) -> None:
        """Let go of connections."""
        ...
