"""The last self-tests of a disk, from smartctl's report. Pure.

The disk notes at which hour of operation a test ended, not the time: while the host is off, no hours pass. ATA keeps
only 16 bits of the hours (ACS-4, Extended SMART Self-test log), which is 7.5 years.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from watchkeeper.probes.storage.smart.fields import Report, table, tables, whole

HOURS_WRAP = 2**16

_SHORT, _EXTENDED = 1, 2
"""The type in ATA and NVMe. ATA sets the highest bit as well if the host had to wait for the test."""

_ENDED = frozenset({0, *range(3, 9)})
"""Results of tests that were not aborted, by the host or a reset, and do not run: ATA's high half byte. A test that
failed has been done: the report's exit status tells of the failure."""

_NVME_ENDED = frozenset({0, 5, 6, 7})
"""NVM Express, Device Self-test log: ended without error, or with a failed segment, or a fatal error."""


@dataclass(frozen=True, slots=True)
class SelfTests:
    """The hour of operation at which the newest test of each sort ended; None if the log has none. wraps: modulo."""

    short_h: int | None
    extended_h: int | None
    wraps: bool = True


def read_self_tests(said: Report) -> SelfTests | None:
    """The tests in the log of an ATA or NVMe disk; None if the report has no such log."""
    ata, nvme = table(said, "ata_smart_self_test_log"), table(said, "nvme_self_test_log")
    if ata:
        ended = [*_ata(table(ata, "extended")), *_ata(table(ata, "standard"))]
    elif nvme:
        ended = list(_nvme(nvme))
    else:
        return None
    # The newest is first in both logs. An extended test does all that a short one does.
    short = next((hour for _, hour in ended), None)
    return SelfTests(short, next((hour for kind, hour in ended if kind == _EXTENDED), None), wraps=bool(ata))


def _ata(log: Report) -> Iterator[tuple[int, int]]:
    for row in tables(log.get("table")):
        kind, status = whole(table(row, "type").get("value")), whole(table(row, "status").get("value"))
        hour = whole(row.get("lifetime_hours"))
        if kind is None or status is None or hour is None:
            continue
        if kind & 0x7F in {_SHORT, _EXTENDED} and status >> 4 in _ENDED:
            yield kind & 0x7F, hour


def _nvme(log: Report) -> Iterator[tuple[int, int]]:
    """The form of smartmontools 7.4 and later; 7.3 does not read this log."""
    for row in tables(log.get("table")):
        kind = whole(table(row, "self_test_code").get("value"))
        result, hour = whole(table(row, "self_test_result").get("value")), whole(row.get("power_on_hours"))
        if kind in {_SHORT, _EXTENDED} and result in _NVME_ENDED and hour is not None:
            yield kind, hour


def age_h(powered_on_h: int, ended_h: int, *, wraps: bool) -> int:
    """Hours of operation since a test ended."""
    since = powered_on_h - ended_h
    return since % HOURS_WRAP if wraps else max(since, 0)
