"""What probes and notifiers of other packages import: all of it is here, and none of it moves without a new version.

Names are only collected here, and nothing within watchkeeper imports this module. How they are used is in the manual,
plugins.md. The rest of watchkeeper may change with every release.
"""

from watchkeeper.clock import Clock
from watchkeeper.config.tables.rules import RulesSettings
from watchkeeper.config.types import (
    Delay,
    Duration,
    Limit,
    PriorityOrNever,
    PriorityWord,
    ProbeSettings,
    SecretSource,
    Size,
    Strict,
    WholePath,
)
from watchkeeper.errors import (
    DeliveryDeferred,
    DeliveryRefused,
    PrivilegeMissing,
    ProbeError,
    ProbeTimeout,
    StillHanging,
    ToolMissing,
)
from watchkeeper.model.alert import Concern, NotificationKind, Priority, State
from watchkeeper.model.message import Message
from watchkeeper.model.observation import (
    Answer,
    Condition,
    Deadline,
    Facts,
    Kind,
    Level,
    Observation,
    SeriesKey,
    Unit,
)
from watchkeeper.notifiers.base import BackgroundNotifier, Notifier, NotifierKind, ReceiverSettings, read_secret
from watchkeeper.probes.base import BaseProbe, Probe, ProbeContext, ProbeKind, Workers
from watchkeeper.probes.support.state import ProbeState, StateModel

__all__ = [  # noqa: RUF022  by purpose
    # Settings: what a table of the configuration takes.
    "ProbeSettings",
    "ReceiverSettings",
    "Strict",  # a table within a table
    "Delay",
    "Duration",
    "Limit",
    "PriorityOrNever",
    "PriorityWord",
    "SecretSource",
    "Size",
    "WholePath",
    "RulesSettings",  # usual_rules of a kind of probe
    # Observations: what a probe returns.
    "Observation",
    "Answer",
    "Condition",
    "Deadline",
    "Level",
    "Facts",
    "Kind",
    "SeriesKey",
    "Unit",
    # Probes.
    "BaseProbe",
    "Probe",
    "ProbeContext",
    "ProbeKind",
    "ProbeState",
    "StateModel",
    "Workers",
    "ProbeError",
    "PrivilegeMissing",
    "ProbeTimeout",
    "StillHanging",
    "ToolMissing",
    # Notifiers.
    "BackgroundNotifier",
    "Notifier",
    "NotifierKind",
    "read_secret",
    "Message",
    "Concern",
    "NotificationKind",
    "Priority",
    "State",
    "DeliveryDeferred",
    "DeliveryRefused",
    # Both.
    "Clock",
]
