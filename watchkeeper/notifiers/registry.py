"""Every kind of notifier: its settings and its constructor. A new kind is one line here."""

from collections.abc import Callable, Mapping
from typing import Any

from watchkeeper.clock import Clock
from watchkeeper.config.types import NotifierSettings
from watchkeeper.notifiers.base import Notifier
from watchkeeper.notifiers.command import Command, CommandSettings
from watchkeeper.notifiers.mail.mail import Mail, MailSettings
from watchkeeper.notifiers.mqtt.mqtt import Mqtt, MqttSettings
from watchkeeper.notifiers.webhook.webhook import Webhook, WebhookSettings

Factory = Callable[[Any, Clock], Notifier]
"""Makes a notifier from its own settings; the argument has the type under which it is registered."""

NOTIFIERS: Mapping[type[NotifierSettings], Factory] = {
    WebhookSettings: Webhook,
    MailSettings: Mail,
    CommandSettings: Command,
    MqttSettings: Mqtt,
}
"""Settings, whose `kind` names it in the configuration -> how the notifier is made."""


def make_notifier(settings: NotifierSettings, clock: Clock) -> Notifier:
    """The notifier for these settings. Raises KeyError for settings of an unknown kind."""
    return NOTIFIERS[type(settings)](settings, clock)
