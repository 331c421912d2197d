"""The operator's own names."""

from pathlib import Path

import pytest

from tests.support.document import problems


@pytest.mark.parametrize("name", ["left, top", "x" * 60, "Süd"])
def test_a_name_is_a_line(tmp_path: Path, name: str) -> None:
    """What fits beside a serial number."""
    assert problems(tmp_path, f'[names.disks]\nS4EVNX0 = "{name}"\n') == []


@pytest.mark.parametrize("name", ["", "  ", "x" * 61, "left\\ntop", "left\\u0007"])
def test_what_is_no_name(tmp_path: Path, name: str) -> None:
    """The disk is named, and what is allowed."""
    (found,) = problems(tmp_path, f'[names.disks]\nS4EVNX0 = "{name}"\n')
    assert found.startswith("names.disks")
    assert '"S4EVNX0" needs a name of 1 to 60 characters on one line' in found
