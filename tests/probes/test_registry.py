"""The table of probes: every kind is whole, documented and can be made."""

import re
from pathlib import Path
from typing import Any, get_args

import pytest

from watchkeeper.config.types import ProbeSettings
from watchkeeper.model.observation import Answer, Condition, Deadline, Level, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.registry import BUILT_IN, FOUND_BY_DEFAULT, PROBES, make_probe


@pytest.mark.parametrize("kind", PROBES)
def test_every_kind_names_itself(kind: str) -> None:
    """The key in the table is the one that the settings accept as their kind."""
    model = PROBES[kind].settings
    assert issubclass(model, ProbeSettings)
    assert get_args(model.model_fields["kind"].annotation) == (kind,)


@pytest.mark.parametrize(
    ("kind", "field"),
    [
        (kind, field)
        for kind, entry in PROBES.items()
        for field in entry.settings.model_fields
        if field not in ProbeSettings.model_fields
    ],
)
def test_every_setting_of_its_own_is_described(kind: str, field: str) -> None:
    """Every setting that a kind adds has a description to make documentation from."""
    assert PROBES[kind].settings.model_fields[field].description


@pytest.mark.parametrize("kind", FOUND_BY_DEFAULT)
async def test_the_default_kinds_need_no_settings(kind: str, bench: ProbeContext) -> None:
    """What runs without configuration can be made from its kind alone, and observes this machine."""
    probe = make_probe(PROBES[kind].settings(kind=kind), bench)
    seen = await probe.observe()
    await probe.close()
    assert seen or kind == "changes"  # it records what changed, and observes nothing
    assert all(isinstance(one, Level | Deadline | Answer | Condition | Unseen) for one in seen)


@pytest.mark.parametrize(
    ("kind", "settings"),
    [
        ("http", {"name": "hide-hub", "url": "http://127.0.0.1:9/"}),
        ("snapshots", {"name": "hide-hub", "files": ("/nowhere/*",), "max_age": "1d"}),
    ],
)
async def test_the_others_are_made_from_theirs(kind: str, settings: dict[str, Any], bench: ProbeContext) -> None:
    """Every other kind can be made from a model of the table and observes."""
    probe = make_probe(PROBES[kind].settings(kind=kind, **settings), bench)
    assert await probe.observe()
    await probe.close()


def test_every_probe_module_is_reached_from_the_table() -> None:
    """A file that holds a probe class is in the table: none is forgotten."""
    folder = Path(__file__).parents[2] / "watchkeeper" / "probes"
    made = {entry.settings.__name__.replace("Settings", "Probe") for entry in BUILT_IN.values()}
    written = {
        line.split("class ")[1].split(":")[0].split("(")[0]
        for path in folder.rglob("*.py")
        for line in path.read_text().splitlines()
        if re.match(r"class [A-Z]\w*Probe[:(]", line)
    }
    assert sorted(written - made - {"BaseProbe"}) == []
