"""Define what a notifier is: it takes a message, formats it, and delivers it or says why it cannot."""

import asyncio
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Annotated, Generic, Protocol, Self, TypeVar, runtime_checkable

from pydantic import AfterValidator, SecretStr, model_validator

from watchkeeper.clock import Clock
from watchkeeper.config.tables.reminders import DueTime, QuietSpan
from watchkeeper.config.types import NotifierSettings, PriorityWord, SecretSource
from watchkeeper.errors import DeliveryDeferred
from watchkeeper.messages.delivery.quiet_hours import EVERY_DAY, Due, Span, leaves_time
from watchkeeper.messages.delivery.routing import Route
from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.messages.wording import clean
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.message import Message

S = TypeVar("S", bound=NotifierSettings)
R = TypeVar("R", bound="ReceiverSettings")


def _leaves_time(spans: tuple[Span, ...]) -> tuple[Span, ...]:
    if not leaves_time(spans):
        raise ValueError("covers the whole week, so nothing would be sent; leave some hours out")
    return spans


def _no_alarm(priority: Priority) -> Priority:
    if priority is Priority.ALARM:
        raise ValueError('an alarm never waits; write "caution" or "warning"')
    return priority


def server_name(example: str) -> AfterValidator:
    """Check a host name or address that a notifier connects to. example: a valid one, shown in the error."""

    def checked(text: str) -> str:
        host, colon, port = text.rpartition(":")
        if colon and port.isdecimal() and (":" not in host or host.endswith("]")):
            raise ValueError(f'"{clean(text, 60)}" has a port in it; write "{clean(host, 60)}" here, and port = {port}')
        if not text.isascii() or not text.isprintable() or not text or set(text) & set(" /@"):
            raise ValueError(f"{clean(text, 60)!r} is not a host name or address; write one such as {example}")
        return text

    return AfterValidator(checked)


def _any_weekday(due: Due | None) -> Due | None:
    if due is not None and due.days != EVERY_DAY:
        raise ValueError(f'"{due}" names days of the week, and a report is sent on the first day of a month')
    return due


class ReceiverSettings(NotifierSettings):
    """What the settings of every notifier that sends to a receiver have.

    at_least: the lowest priority that is sent. Its end, and its fall below this priority, are sent too.
    at_most: the highest priority that is sent. Its rise above this priority is sent too.
    digest_only: send the digest and nothing else.
    subjects: only messages about these subjects; globs such as "pool *". By default about all.
    concerns: only messages about these: `full`, `overdue`, `not_answering`, `faulty`, `not_reporting`. By default all.
    quiet_hours: hours, in the time zone under `[host]`, during which less urgent messages wait.
    quiet_for: the highest priority that waits until the quiet hours end. An alarm never waits.
    quiet_summary: send what the quiet hours held in one message, most urgent first; false: each message separately.
    digest: when to send a digest: active alerts, what is nearest to full, and what is overdue.
    stand_in_only: send nothing except while a `[[stand_in]]` names this notifier.
    monthly_report: the time of day at which the report of a month is sent, on the first day of the next one.
    """

    at_least: PriorityWord = Priority.CAUTION
    at_most: PriorityWord = Priority.ALARM
    digest_only: bool = False
    stand_in_only: bool = False
    subjects: tuple[str, ...] = ()
    concerns: tuple[Concern, ...] = ()
    quiet_hours: Annotated[tuple[QuietSpan, ...], AfterValidator(_leaves_time)] = ()
    quiet_for: Annotated[PriorityWord, AfterValidator(_no_alarm)] = Priority.CAUTION
    quiet_summary: bool = True
    digest: DueTime = None
    monthly_report: Annotated[DueTime, AfterValidator(_any_weekday)] = None

    def route(self, zone: tzinfo, stand_ins: tuple[StandIn, ...] = ()) -> Route:
        """The route to this receiver. zone: the operator's time zone. stand_ins: those that name this notifier."""
        return Route(
            self.at_least,
            self.quiet_hours,
            self.quiet_for,
            self.digest,
            zone,
            at_most=self.at_most,
            digest_only=self.digest_only,
            subjects=self.subjects,
            concerns=frozenset(self.concerns),
            quiet_summary=self.quiet_summary,
            monthly_report=self.monthly_report,
            stand_ins=stand_ins,
            stand_in_only=self.stand_in_only,
        )

    @model_validator(mode="after")
    def _receives_something(self) -> Self:
        if self.at_most < self.at_least:
            raise ValueError(
                f'at_most "{self.at_most.word}" is below at_least "{self.at_least.word}": nothing would be sent'
            )
        if self.digest_only and self.digest is None:
            raise ValueError('digest_only needs a digest; write digest = "07:30" too')
        if self.stand_in_only and (self.digest_only or self.digest or self.monthly_report):
            raise ValueError(
                "stand_in_only sends no digest and no report; take out digest_only, digest and monthly_report"
            )
        return self


class Notifier(Protocol):
    """Delivers messages to one receiver. Nothing that it raises or logs contains a secret."""

    @property
    def name(self) -> str:
        """The notifier's name in the outbox and the event log; unique."""
        ...

    @property
    def at_least(self) -> Priority:
        """The least urgent priority that its receiver wants to be notified of."""
        ...

    async def deliver(self, message: Message) -> None:
        """Deliver. Raises DeliveryDeferred if a later attempt may succeed, DeliveryRefused if none will.

        The same message may be delivered again after a crash, with the same id.
        """
        ...

    async def close(self) -> None:
        """Release connections."""
        ...


class BaseNotifier(Generic[R]):
    """What notifiers have in common: name and priority of the settings, and nothing to release."""

    def __init__(self, settings: R, clock: Clock) -> None:
        self._settings, self._clock = settings, clock

    @property
    def name(self) -> str:
        """The notifier's name in the outbox and the event log."""
        return self._settings.label

    @property
    def at_least(self) -> Priority:
        """The least urgent priority that its receiver wants to be notified of."""
        return self._settings.at_least

    async def close(self) -> None:
        """Do nothing. A notifier that holds something after `attend` releases it here."""


@runtime_checkable
class BackgroundNotifier(Protocol):
    """A notifier that has work between deliveries, such as holding a connection."""

    async def attend(self) -> None:
        """Do that work until cancelled."""
        ...


@dataclass(frozen=True, slots=True)
class NotifierKind(Generic[S]):
    """One kind of notifier: the model of its settings, and what makes a notifier of them."""

    settings: type[S]
    make: Callable[[S, Clock], Notifier]


def read_secret(source: SecretSource | SecretStr, what: str) -> str:
    """The secret's text. Raises DeliveryDeferred with the file's name: the operator can fix it, and nothing is lost."""
    if isinstance(source, SecretStr):
        return source.get_secret_value()
    try:
        return source.read().get_secret_value()
    except OSError as error:
        raise DeliveryDeferred(
            f"{what} cannot be read from {source.path}: {error.strerror or 'no such file'}"
        ) from None
    except ValueError as error:
        raise DeliveryDeferred(f"{what} in {source.path} {error}") from None


async def trust(ca_file: Path | None) -> ssl.SSLContext:
    """What a receiver's certificate is checked against: the system's authorities, or those in the operator's own file.

    Created for each delivery, so that a renewed file takes effect without a restart. Raises DeliveryDeferred if the
    file cannot be used.
    """
    try:
        return await asyncio.to_thread(ssl.create_default_context, cafile=None if ca_file is None else str(ca_file))
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise DeliveryDeferred(f"ca_file {ca_file} cannot be used: {error}") from None


def tls_trouble(error: ssl.SSLError) -> str:
    """What is wrong with a TLS connection, as text."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate was not accepted: {error.verify_message}"
    return f"TLS failed: {(error.reason or 'unknown').replace('_', ' ').lower()}"
