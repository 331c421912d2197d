"""Kinds are imported when they are asked for, and not before."""

import pytest

from watchkeeper.config.kinds import Kinds


def test_a_kind_is_made_when_it_is_asked_for_and_once() -> None:
    """Its name is known before that."""
    made: list[str] = []

    def make(name: str) -> str:
        made.append(name)
        return name.upper()

    kinds = Kinds({"hide": lambda: make("hide"), "nest": lambda: make("nest")}, {"bell": "BELL"})
    assert (list(kinds), len(kinds)) == (["hide", "nest", "bell"], 3)
    assert "hide" in kinds
    assert "tide" not in kinds
    assert made == []
    assert [kinds["nest"], kinds["nest"], kinds["bell"]] == ["NEST", "NEST", "BELL"]
    assert made == ["nest"]
    with pytest.raises(KeyError):
        kinds["tide"]
