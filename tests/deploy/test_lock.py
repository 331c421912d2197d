"""The lock files can be installed as long as their releases are on the index, whatever is released after them."""

import json
import tomllib
from importlib.metadata import distributions
from pathlib import Path

import pytest
from packageurl import PackageURL
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from watchkeeper.cli.docsgen.components import components
from watchkeeper.cli.docsgen.components import pins as components_pins

LOCKS = Path(__file__).parents[2] / "deploy" / "lock"


def pins(lock: str) -> dict[str, Requirement]:
    """What a lock file pins, by the package's name."""
    lines = (LOCKS / lock).read_text(encoding="utf-8").splitlines()
    found = [Requirement(line.removesuffix("\\")) for line in lines if line[:1].isalnum()]
    return {canonicalize_name(each.name): each for each in found}


@pytest.mark.parametrize("lock", ["run.txt", "build.txt", "test.txt"])
def test_what_is_asked_for_with_extras_is_pinned_with_them(lock: str) -> None:
    """Pip looks for `coverage[toml]` apart from `coverage`: unpinned, it takes the newest, which has no hash here."""
    pinned = pins(lock)
    assert {str(each.specifier)[:2] for each in pinned.values()} == {"=="}
    asked = 0
    for package in distributions():
        if canonicalize_name(package.name) not in pinned:
            continue
        for wanted in map(Requirement, package.requires or []):
            if wanted.extras and (wanted.marker is None or wanted.marker.evaluate({"extra": ""})):
                asked += 1
                assert wanted.extras <= pinned[canonicalize_name(wanted.name)].extras, f"{package.name}: {wanted}"
    assert asked == {"run.txt": 0, "build.txt": 0, "test.txt": 1}[lock]


BUILD_TOOLS = {"hatchling", "editables", "setuptools", "wheel", "uv", "trove-classifiers", "pathspec"}


def test_build_tools_are_not_in_the_environment_that_runs() -> None:
    """They build the wheel apart, and are pinned for that."""
    assert not BUILD_TOOLS & set(pins("run.txt"))
    assert {"hatchling", "editables"} <= set(pins("build.txt"))


def test_the_list_of_components_is_that_of_the_lock_file() -> None:
    """Each pinned package once, with its version and where it is installed, and nothing else."""
    listed = json.loads((LOCKS / "components.cdx.json").read_text(encoding="utf-8"))
    version = tomllib.loads((LOCKS.parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]
    assert listed == components(tuple(components_pins((LOCKS / "run.txt").read_text(encoding="utf-8"))), version), (
        "run: python -m watchkeeper.cli.docsgen.components"
    )
    lines = (LOCKS / "run.txt").read_text(encoding="utf-8").splitlines()
    wanted = [Requirement(line.removesuffix("\\")) for line in lines if line[:1].isalnum()]
    found = [
        (canonicalize_name(each["name"]), f"=={each['version']}", [p["value"] for p in each.get("properties", [])])
        for each in listed["components"]
    ]
    assert [(name, specifier) for name, specifier, _ in found] == [
        (canonicalize_name(each.name), str(each.specifier)) for each in wanted
    ]
    for (_, _, markers), each in zip(found, wanted, strict=True):
        assert [str(Marker(text)) for text in markers] == ([str(each.marker)] if each.marker else [])


def test_the_list_of_components_is_cyclonedx() -> None:
    """By the schema of the standard, as the library of its authors checks it; every purl is a valid one."""
    # Imported here: the checker builds grammars for seconds, in each worker that collects this file.
    from cyclonedx.schema import SchemaVersion
    from cyclonedx.validation.json import JsonStrictValidator

    text = (LOCKS / "components.cdx.json").read_text(encoding="utf-8")
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text) is None
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(text.replace('"library"', '"libary"')) is not None
    for each in json.loads(text)["components"]:
        assert PackageURL.from_string(each["purl"]).to_string() == each["purl"]
