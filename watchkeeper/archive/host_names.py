"""What belongs to a host under a name that says so, among the records of all hosts: one more level before the subject.

Pure. Not here: reading (reader.py).
"""

from collections.abc import Collection
from dataclasses import replace

from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.observation import OWN_SUBJECT, Observation, SeriesKey
from watchkeeper.model.operator.maintenance import MAINTENANCE
from watchkeeper.model.records import Delivery, EventLine

BETWEEN = ": "
"""Between the name of a host and a subject of it."""


def named(host: str, key: SeriesKey) -> SeriesKey:
    """The key of a host's series among those of all hosts."""
    if key.subject.startswith(OWN_SUBJECT):
        return SeriesKey(f"{OWN_SUBJECT}{host}{BETWEEN}{key.subject.removeprefix(OWN_SUBJECT)}", key.quantity)
    return SeriesKey(f"{host}{BETWEEN}{key.subject}", key.quantity)


def apart(key: SeriesKey, hosts: Collection[str]) -> tuple[str, SeriesKey] | None:
    """The host, and the key that the series has there; None if it belongs to no host."""
    own = OWN_SUBJECT if key.subject.startswith(OWN_SUBJECT) else ""
    rest = key.subject.removeprefix(own)
    for host in sorted(hosts, key=len, reverse=True):
        if rest.startswith(f"{host}{BETWEEN}"):
            return host, SeriesKey(own + rest.removeprefix(f"{host}{BETWEEN}"), key.quantity)
    return None


def observation_of(host: str, seen: Observation) -> Observation:
    """An observation of a host."""
    return replace(seen, key=named(host, seen.key))


def finding_of(host: str, found: Finding) -> Finding:
    """A finding of a host."""
    return replace(found, key=named(host, found.key))


def alert_of(host: str, alert: Alert) -> Alert:
    """An alert of a host. What holds it back is another alert of the host, or planned maintenance."""
    held_by = alert.held_by
    if held_by is not None and held_by != MAINTENANCE:
        held_by = named(host, held_by)
    return replace(alert, key=named(host, alert.key), held_by=held_by)


def forecast_of(host: str, kept: KeptForecast) -> KeptForecast:
    """A forecast of a host that was kept."""
    return replace(kept, key=named(host, kept.key))


def line_of(host: str, line: EventLine) -> EventLine:
    """A line of a host's event log."""
    if line.key is None:
        return replace(line, text=f"{host}{BETWEEN}{line.text}")
    return replace(line, key=named(host, line.key))


def delivery_of(host: str, delivery: Delivery) -> Delivery:
    """A delivery of a host."""
    message = replace(delivery.message, key=named(host, delivery.message.key))
    return replace(delivery, notifier=f"{host}{BETWEEN}{delivery.notifier}", message=message)
