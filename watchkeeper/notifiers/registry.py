"""Every kind of notifier there is: its settings and how one is made. A new kind is one line here.

The module of a kind is imported when the kind is first used.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from watchkeeper.clock import Clock
from watchkeeper.config import plugin_kinds
from watchkeeper.config.kinds import Kinds
from watchkeeper.config.types import NotifierSettings
from watchkeeper.notifiers import plugins
from watchkeeper.notifiers.base import Notifier, NotifierKind


@dataclass(frozen=True, slots=True)
class BuiltIn:
    """A kind of ours: its module in this package, and the name of its class; its settings are NAMESettings."""

    module: str
    name: str

    def __call__(self) -> NotifierKind[Any]:
        """Import it."""
        module = import_module(f"watchkeeper.notifiers.{self.module}")
        return NotifierKind(getattr(module, f"{self.name}Settings"), getattr(module, self.name))


_MODULES = {
    "webhook": BuiltIn("webhook.webhook", "Webhook"),
    "mail": BuiltIn("mail.mail", "Mail"),
    "command": BuiltIn("command", "Command"),
    "mqtt": BuiltIn("mqtt.mqtt", "Mqtt"),
    "syslog": BuiltIn("syslog.syslog", "Syslog"),
}

BUILT_IN: Mapping[str, NotifierKind[Any]] = Kinds(_MODULES)
"""The kinds that watchkeeper brings."""

FROM_PACKAGES = plugin_kinds.find(plugins.GROUP, BUILT_IN)
"""The kinds that other installed packages bring, and what is wrong with those that cannot be used."""

NOTIFIERS: Mapping[str, NotifierKind[Any]] = Kinds(_MODULES, FROM_PACKAGES.kinds)
"""`kind` in the configuration -> its settings and its notifier."""


def make_notifier(settings: NotifierSettings, clock: Clock) -> Notifier:
    """The notifier that these settings are for. Raises KeyError for settings of no known kind."""
    return NOTIFIERS[settings.kind].make(settings, clock)
