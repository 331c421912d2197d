"""Why something was or was not sent, as it was decided: a record for the operator who asks later."""

from dataclasses import dataclass
from datetime import datetime

from watchkeeper.model.alert import Concern
from watchkeeper.model.observation import SeriesKey


@dataclass(frozen=True, slots=True)
class RouteChoice:
    """What the route to one notifier decided about a message.

    refusal: why it is not sent there; empty if it is. held_until: when its quiet hours end; None if it may leave at
    once.
    """

    notifier: str
    refusal: str = ""
    held_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision about an alert: of the rules and its state, or of the routes of its message.

    steps: what was observed, the limits, what they call for, and the state of the alert. message: the id of the message
    that was made. headline: its headline. choices: what each notifier's route decided about it, in the order of the
    configuration.
    """

    key: SeriesKey
    concern: Concern
    at: datetime
    steps: tuple[str, ...] = ()
    message: str = ""
    headline: str = ""
    choices: tuple[RouteChoice, ...] = ()
