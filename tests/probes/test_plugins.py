"""Kinds of probe from other packages: real distributions on the path, whole ones and broken ones."""

import math
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Deadline, Level, SeriesKey
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.plugins import Checked, find, why_not

WHOLE = '''
from typing import Literal
from pydantic import Field
from watchkeeper.config.types import ProbeSettings
from watchkeeper.model.observation import Level, SeriesKey, Unit
from watchkeeper.probes.base import ProbeKind

class TideSettings(ProbeSettings):
    """The tide gauge."""
    kind: Literal["tide"] = "tide"
    depth: float = Field(gt=0, description="depth at which the jetty floods, in metres")

class TideProbe:
    def __init__(self, settings, bench):
        self.settings = settings
        self.closed = False
    async def observe(self):
        return [Level(SeriesKey("jetty", "water"), 1.5, self.settings.depth, Unit.COUNT)]
    async def close(self):
        self.closed = True

KIND = ProbeKind(TideSettings, TideProbe)
OTHER = ProbeKind(dict, TideProbe)
NOT_A_KIND = 7
'''


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


async def test_a_whole_one(path: Path, bench: ProbeContext) -> None:
    """Its kind is found by the entry point, its settings are read, and its probe observes."""
    distribution(path, "watch_of_tide", WHOLE, "tide = watch_of_tide:KIND")
    found = find({"memory"})
    assert found.troubles == ()
    kind = found.kinds["tide"]
    probe = kind.make(kind.settings.model_validate({"kind": "tide", "depth": 4}), bench)
    (level,) = await probe.observe()
    await probe.close()
    assert isinstance(level, Level)
    assert level.capacity == 4
    assert isinstance(probe, Checked)
    assert probe._probe.closed  # type: ignore[attr-defined]  # the stranger's own


@pytest.mark.parametrize(
    ("point", "source", "why"),
    [
        ("tide = watch_of_x:NOT_A_KIND", WHOLE, "watch_of_x:NOT_A_KIND is no watchkeeper.probes.base.ProbeKind"),
        ("tide = watch_of_x:OTHER", WHOLE, "its settings are no model that inherits"),
        ("gauge = watch_of_x:KIND", WHOLE, 'its settings must have the field: kind: Literal["gauge"] = "gauge"'),
        ("memory = watch_of_x:KIND", WHOLE, "there is a kind of probe of this name already"),
        ("tide = watch_of_x:MISSING", WHOLE, "fails with AttributeError"),
        ("tide = watch_of_x:KIND", "raise RuntimeError('no\\ngauge')", "fails with RuntimeError: no\\ngauge"),
        ("tide = watch_of_x:KIND", "import not_installed", "fails with ModuleNotFoundError"),
        ("tide = watch_of_x:KIND", "this is no Python", "fails with SyntaxError"),
    ],
)
def test_one_that_cannot_be_used(path: Path, point: str, source: str, why: str) -> None:
    """What is wrong is told with the package's name, and another package's kind is there all the same."""
    distribution(path, "watch_of_x", source, point)
    distribution(path, "watch_of_lamp", WHOLE.replace('"tide"', '"lamp"'), "lamp = watch_of_lamp:KIND")
    found = find({"memory"})
    assert list(found.kinds) == ["lamp"]
    (trouble,) = found.troubles
    assert "of watch_of_x cannot be used" in trouble
    assert why in trouble
    assert trouble.isprintable()


def test_two_of_one_name(path: Path) -> None:
    """The second package of a name is told, and the first is kept."""
    distribution(path, "watch_of_a", WHOLE, "tide = watch_of_a:KIND")
    distribution(path, "watch_of_b", WHOLE, "tide = watch_of_b:KIND")
    found = find(())
    assert list(found.kinds) == ["tide"]
    assert len(found.troubles) == 1


def test_an_entry_point_of_no_package() -> None:
    """One that was made by hand has no package to name."""
    from importlib.metadata import EntryPoint

    point = EntryPoint("tide", "nowhere:KIND", "watchkeeper.probes")
    assert "of an unknown package cannot be used" in find((), [point]).troubles[0]


KEY = SeriesKey("jetty", "water")


@pytest.mark.parametrize(
    ("seen", "why"),
    [
        (None, "is no Level"),
        ({"kind": "level"}, "is no Level"),
        (Level(KEY, math.nan, 1), "used is not a finite number"),
        (Level(KEY, -1, 1), "used of 0 or more"),
        (Level(KEY, 1, 0), "capacity of more than 0"),
        (Condition(SeriesKey("probe memory", "runs"), sound=True), "does not begin with"),
        (Condition(SeriesKey("", "x"), sound=True), "is not empty"),
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

    with pytest.raises(ProbeError, match="it observed 'wet', which cannot be used"):
        await Checked(Odd(["wet"])).observe()
    with pytest.raises(ProbeError, match="more than once"):
        await Checked(Odd([Level(KEY, 1, 1), Level(KEY, 2, 2)])).observe()
