"""Kinds of probe from other packages: real distributions on the path, whole ones and broken ones."""

import math
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.plugin.conftest import PACKAGES
from watchkeeper.config.plugin_kinds import find
from watchkeeper.config.types import ProbeSettings
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Deadline, Level, SeriesKey
from watchkeeper.probes.base import ProbeContext, ProbeKind
from watchkeeper.probes.plugins import GROUP, Checked, checked, why_not

WHOLE = (
    (PACKAGES / "tide/watch_of_tide/__init__.py").read_text(encoding="utf-8")
    + """
OTHER = ProbeKind(dict, TideProbe)
NOT_A_KIND = 7
"""
)
"""The example package, and what an entry point must not lead to."""

UNKNOWN_NAME = WHOLE.replace("floods_at: float", 'floods_at: "Metres"')


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder on the path that distributions can be put into."""
    monkeypatch.syspath_prepend(tmp_path)
    before = set(sys.modules)
    yield tmp_path
    for name in set(sys.modules) - before:
        if name.startswith("watch_of_"):
            del sys.modules[name]


def distribution(path: Path, module: str, source: str, *points: str) -> None:
    """Install a distribution: its module, its metadata and its entry points."""
    (path / f"{module}.py").write_text(source)
    info = path / f"{module}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[watchkeeper.probes]\n" + "".join(f"{point}\n" for point in points))


@pytest.mark.parametrize(
    ("point", "source", "why"),
    [
        ("tide = watch_of_x:NOT_A_KIND", WHOLE, "watch_of_x:NOT_A_KIND is not a watchkeeper.plugin.ProbeKind"),
        ("tide = watch_of_x:OTHER", WHOLE, "its settings are not a model that inherits"),
        ("gauge = watch_of_x:KIND", WHOLE, 'its settings must have the field: kind: Literal["gauge"] = "gauge"'),
        ("memory = watch_of_x:KIND", WHOLE, "this kind of probe exists already"),
        ("tide = watch_of_x:MISSING", WHOLE, "fails with AttributeError"),
        ("tide = watch_of_x:KIND", "raise RuntimeError('no\\ngauge')", "fails with RuntimeError: no gauge"),
        ("tide = watch_of_x:KIND", "raise SystemExit(3)", "fails with SystemExit: 3"),
        ("tide = watch_of_x:KIND", UNKNOWN_NAME, "its settings fail with PydanticUndefinedAnnotation"),
        ("tide = watch_of_x:KIND", "import not_installed", "fails with ModuleNotFoundError"),
        ("tide = watch_of_x:KIND", "this is no Python", "fails with SyntaxError"),
    ],
)
def test_one_that_cannot_be_used(path: Path, point: str, source: str, why: str) -> None:
    """What is wrong is told with the package's name, and another package's kind is there all the same."""
    distribution(path, "watch_of_x", source, point)
    distribution(path, "watch_of_lamp", WHOLE.replace('"tide"', '"lamp"'), "lamp = watch_of_lamp:KIND")
    found = find(GROUP, {"memory"})
    assert list(found.kinds) == ["lamp"]
    trouble = str(*found.unusable)
    assert "of watch_of_x cannot be used" in trouble
    assert why in trouble
    assert trouble.isprintable()


def test_two_of_one_name(path: Path) -> None:
    """The second package of a name is told, and the first is kept."""
    distribution(path, "watch_of_a", WHOLE, "tide = watch_of_a:KIND")
    distribution(path, "watch_of_b", WHOLE, "tide = watch_of_b:KIND")
    found = find(GROUP, ())
    assert list(found.kinds) == ["tide"]
    assert len(found.unusable) == 1


def test_an_entry_point_of_no_package() -> None:
    """One that was made by hand has no package to name."""
    from importlib.metadata import EntryPoint

    point = EntryPoint("tide", "nowhere:KIND", "watchkeeper.probes")
    assert "of an unknown package cannot be used" in str(find(GROUP, (), [point]).unusable[0])


KEY = SeriesKey("jetty", "water")


@pytest.mark.parametrize(
    ("seen", "why"),
    [
        (None, "is not a Level"),
        ({"kind": "level"}, "is not a Level"),
        (Level(KEY, math.nan, 1), "used is not a finite number"),
        (Level(KEY, -1, 1), "used >= 0"),
        (Level(KEY, 1, 0), "capacity > 0"),
        (Condition(SeriesKey("probe memory", "runs"), ok=True), "must not begin with"),
        (Condition(SeriesKey("", "x"), ok=True), "must not be empty"),
        (Deadline(KEY, datetime(2026, 1, 1)), "no time zone"),  # noqa: DTZ001  on purpose
        (Level(KEY, 1, 1), ""),
        (Deadline(KEY, None), ""),
    ],
)
def test_what_is_an_observation(seen: Any, why: str) -> None:
    """What cannot go down the path is refused with its reason."""
    assert why in why_not(seen)
    assert bool(why) == bool(why_not(seen))


async def test_a_probe_that_breaks_the_contract() -> None:
    """One wrong observation, or two of one series, make the run a failed one; the daemon never sees them."""

    class Odd:
        def __init__(self, seen: Any) -> None:
            self.seen = seen

        async def observe(self) -> Any:
            return self.seen

        async def close(self) -> None:
            """Nothing."""

    with pytest.raises(ProbeError, match="it returned an observation that cannot be used"):
        await Checked(Odd(["wet"])).observe()
    with pytest.raises(ProbeError, match="more than once"):
        await Checked(Odd([Level(KEY, 1, 1), Level(KEY, 2, 2)])).observe()


async def test_a_probe_that_cannot_be_made(bench: ProbeContext) -> None:
    """The daemon starts, and each run of the probe fails with the reason."""

    def make(_settings: ProbeSettings, _context: ProbeContext) -> Any:
        raise LookupError("no gauge")

    probe = checked(ProbeKind(ProbeSettings, make)).make(ProbeSettings(kind="tide"), bench)
    with pytest.raises(ProbeError, match="it cannot be created: LookupError: no gauge"):
        await probe.observe()
    await probe.close()
