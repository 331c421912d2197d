"""What belongs to a host under a name that says so, among the records of all hosts: one more level before the subject.

Pure. Not here: the names themselves (model/hosts.py), and reading (reader.py).
"""

from dataclasses import replace

from watchkeeper.model.alert import Alert
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.hosts import BETWEEN, HostRecords, named
from watchkeeper.model.observation import Level, Observation
from watchkeeper.model.operator.maintenance import MAINTENANCE
from watchkeeper.model.records import Delivery, EventLine, Series

HOST_STEP = 1_000_000
"""Ids of a host's series begin at its number times this; those of a station's own series are below."""


def observation_of(host: str, seen: Observation) -> Observation:
    """An observation of a host."""
    if isinstance(seen, Level) and seen.part_of is not None:
        seen = replace(seen, part_of=named(host, seen.part_of))
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


def series_of(number: int, series: Series) -> Series:
    """A series of the host with a number, under the id that it has among those of all hosts."""
    return replace(series, id=number * HOST_STEP + series.id)


def records_of(host: str, own: HostRecords) -> HostRecords:
    """Everything that is known of a host. own: as the host itself names it, with ids among those of all hosts."""
    return HostRecords(
        [replace(each, key=named(host, each.key), probe=f"{host}{BETWEEN}{each.probe}") for each in own.series],
        [replace(each, observation=observation_of(host, each.observation)) for each in own.latest],
        [finding_of(host, each) for each in own.findings],
        [alert_of(host, each) for each in own.alerts],
    )
