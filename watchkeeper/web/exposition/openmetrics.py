"""The text format of OpenMetrics 1.0: families of points, written within a bound. Not here: which families there are.

The standard: OpenMetrics 1.0.0 (draft-richih-opsawg-openmetrics-00), whose section 4.1.2 has the grammar.
"""

import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from watchkeeper.messages.wording import clean

MEDIA = "application/openmetrics-text; version=1.0.0; charset=utf-8"
"""The Content-Type that the standard asks for."""

LONGEST_LABEL = 200
"""Characters of a label's value: more than any name that watchkeeper shows."""

END = "# EOF\n"


class MetricType(StrEnum):
    """The types of the standard that are used here, with the suffix of their samples."""

    GAUGE = "gauge"
    COUNTER = "counter"
    INFO = "info"
    STATESET = "stateset"

    @property
    def suffix(self) -> str:
        """What the name of a sample has after the name of its family."""
        return {MetricType.COUNTER: "_total", MetricType.INFO: "_info"}.get(self, "")


@dataclass(frozen=True, slots=True)
class Family:
    """One metric family. unit: also the end of its name, as the standard requires; empty for none."""

    name: str
    type: MetricType
    help: str
    unit: str = ""

    @property
    def head(self) -> str:
        """The lines before its samples."""
        unit = f"# UNIT {self.name} {self.unit}\n" if self.unit else ""
        return f"# TYPE {self.name} {self.type}\n{unit}# HELP {self.name} {_escaped(self.help)}\n"


@dataclass(frozen=True, slots=True)
class Point:
    """One sample: a value of a family under some labels."""

    family: Family
    labels: tuple[tuple[str, str], ...]
    value: float

    @property
    def line(self) -> str:
        """The sample as a line."""
        labels = ",".join(f'{name}="{_escaped(clean(value, LONGEST_LABEL))}"' for name, value in self.labels)
        return f"{self.family.name}{self.family.type.suffix}{f'{{{labels}}}' if labels else ''} {_number(self.value)}\n"


@dataclass(frozen=True, slots=True)
class Limits:
    """The bound of one exposition."""

    points: int = 5_000
    size_bytes: int = 1024 * 1024


class Exposition:
    """Collects groups of points within the limits: a group is taken whole, or counted as left out."""

    def __init__(self, families: Sequence[Family], rest: Family, limits: Limits) -> None:
        """families: in the order in which they are written. rest: says last how many points were left out."""
        self._families, self._rest, self._limits = families, rest, limits
        self._lines: Mapping[str, list[str]] = {each.name: [] for each in families}
        self._known: set[str] = set()
        self.left_out = 0
        # The line that says how many were left out always fits.
        self._points = 1
        self._size = len(END) + sum(len(each.head.encode()) for each in (*families, rest))
        self._size += len(Point(rest, (), sys.maxsize).line)

    def add(self, points: Iterable[Point]) -> bool:
        """Take a group of points. False if it does not fit, or if its labels were there before (a name was cut)."""
        lines = [(each.family.name, each.line) for each in points]
        size = sum(len(line.encode()) for _, line in lines)
        known = {line.rpartition(" ")[0] for _, line in lines}
        fits = self._points + len(lines) <= self._limits.points and self._size + size <= self._limits.size_bytes
        if not fits or len(known) < len(lines) or known & self._known:
            self.left_out += len(lines)
            return False
        for name, line in lines:
            self._lines[name].append(line)
        self._known |= known
        self._points += len(lines)
        self._size += size
        return True

    def text(self) -> str:
        """The whole exposition; families without a point are left out."""
        parts = [each.head + "".join(lines) for each in self._families if (lines := self._lines[each.name])]
        return "".join(parts) + self._rest.head + Point(self._rest, (), self.left_out).line + END


def _number(value: float) -> str:
    """A number as the standard writes it; a whole one without a point."""
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    whole = int(value)
    return str(whole) if whole == value and abs(whole) < 2**53 else repr(float(value))


def _escaped(text: str) -> str:
    """Text with the three escapes of the standard; what no UTF-8 text can carry is replaced."""
    plain = text.encode("utf-8", "replace").decode()
    return plain.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
