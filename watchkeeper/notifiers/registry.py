"""Every kind of notifier there is: its settings and how one is made. A new kind is one line here."""

from collections.abc import Mapping
from typing import Any

from watchkeeper.clock import Clock
from watchkeeper.config import plugin_kinds
from watchkeeper.config.types import NotifierSettings
from watchkeeper.notifiers import plugins
from watchkeeper.notifiers.base import Notifier, NotifierKind
from watchkeeper.notifiers.command import Command, CommandSettings
from watchkeeper.notifiers.mail.mail import Mail, MailSettings
from watchkeeper.notifiers.mqtt.mqtt import Mqtt, MqttSettings
from watchkeeper.notifiers.webhook.webhook import Webhook, WebhookSettings

BUILT_IN: Mapping[str, NotifierKind[Any]] = {
    "webhook": NotifierKind(WebhookSettings, Webhook),
    "mail": NotifierKind(MailSettings, Mail),
    "command": NotifierKind(CommandSettings, Command),
    "mqtt": NotifierKind(MqttSettings, Mqtt),
}
"""The kinds that watchkeeper brings."""

FROM_PACKAGES = plugin_kinds.find(plugins.GROUP, BUILT_IN)
"""The kinds that other installed packages bring, and what is wrong with those that cannot be used."""

NOTIFIERS: Mapping[str, NotifierKind[Any]] = {**BUILT_IN, **FROM_PACKAGES.kinds}
"""`kind` in the configuration -> its settings and its notifier."""


def make_notifier(settings: NotifierSettings, clock: Clock) -> Notifier:
    """The notifier that these settings are for. Raises KeyError for settings of no known kind."""
    return NOTIFIERS[settings.kind].make(settings, clock)
