"""The lock files can be installed as long as their releases are on the index, whatever is released after them."""

from importlib.metadata import distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

LOCKS = Path(__file__).parents[2] / "deploy" / "lock"


def pins(lock: str) -> dict[str, Requirement]:
    """What a lock file pins, by the package's name."""
    lines = (LOCKS / lock).read_text(encoding="utf-8").splitlines()
    found = [Requirement(line.removesuffix("\\")) for line in lines if line[:1].isalnum()]
    return {canonicalize_name(each.name): each for each in found}


@pytest.mark.parametrize("lock", ["run.txt", "test.txt"])
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
    assert asked == {"run.txt": 0, "test.txt": 1}[lock]
