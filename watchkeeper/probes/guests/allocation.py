"""Memory and virtual processors that are allocated to all guests together, against what the host has."""

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from watchkeeper.model.observation import Condition, Facts, Level, SeriesKey, Unit
from watchkeeper.model.units import format_size
from watchkeeper.probes.guests.qmp import Guest
from watchkeeper.probes.guests.sockets import Asked
from watchkeeper.probes.host.memory import read_table
from watchkeeper.probes.support.sanitize import clip


class Allocation:
    """What is allocated, by the guests' paths. proc: where /proc is. limit: the share of memory that may be."""

    def __init__(self, proc: Path, limit: float) -> None:
        self._proc, self._limit = proc, limit
        self._bytes: dict[str, int] = {}

    def memory(self, asked: Sequence[Asked[Guest]], known: Mapping[str, str]) -> Condition:
        """The memory allocated to all guests. One that cannot be queried now counts with its last value."""
        for each in asked:
            if each.guest and each.guest.promised_bytes is not None:
                self._bytes[each.path] = each.guest.promised_bytes
        there = {each.path for each in asked}
        self._bytes = {path: size for path, size in self._bytes.items() if path in there}
        allocated, total = sum(self._bytes.values()), self._total_bytes()
        facts: Facts = (
            ("allocated to the guests", format_size(allocated)),
            ("memory of the host", format_size(total)),
            *((clip(known.get(path, path)), format_size(size)) for path, size in self._bytes.items()),
        )
        share = allocated / total
        reason = f"{format_size(allocated)} are allocated, {share:.0%} of the host's memory, limit {self._limit:.0%}"
        over = share > self._limit
        return Condition(SeriesKey("guests", "memory allocation"), not over, reason if over else "", facts=facts)

    def levels(self, guests: Iterable[Guest]) -> Iterator[Level]:
        """Memory and vCPUs allocated: recorded and not judged."""
        yield Level(
            SeriesKey("guests", "memory"), float(sum(self._bytes.values())), self._total_bytes(), not_judged=True
        )
        vcpus = sum(guest.vcpus or 0 for guest in guests)
        yield Level(SeriesKey("guests", "vCPUs"), vcpus, os.cpu_count() or 1, Unit.COUNT, not_judged=True)

    def _total_bytes(self) -> int:
        with (self._proc / "meminfo").open("rb") as file:
            return max(read_table(file.read().decode("ascii", "replace")).get("MemTotal", 0), 1) * 1024
