"""Whatever a name holds, what is written is TOML that says the same."""

import tomllib
from fnmatch import fnmatchcase

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.discovery import toml
from watchkeeper.discovery.proposal import Value

TEXT = st.text(st.characters(codec="utf-8"), max_size=60)
"""All that UTF-8 can hold: quotes, line breaks, controls, marks that turn the writing around."""

ANY = st.text(st.characters(), max_size=60)
PLAIN = st.one_of(
    TEXT, st.integers(-(2**63), 2**63 - 1), st.floats(allow_nan=False, allow_infinity=False), st.booleans()
)
VALUES = st.one_of(PLAIN, st.lists(TEXT, max_size=12).map(tuple), st.dictionaries(TEXT, PLAIN, max_size=5))


@given(name=TEXT, value=VALUES)
def test_what_is_written_reads_back_the_same(name: str, value: Value) -> None:
    """Key and value come back from the standard library's reader."""
    back = tomllib.loads("\n".join(toml.setting(name, value)))
    assert back == {name: list(value) if isinstance(value, tuple) else value}


@given(text=ANY)
def test_a_comment_stays_a_comment(text: str) -> None:
    """No text from outside gets out of it, or makes the document unreadable."""
    lines = toml.comment(text)
    assert tomllib.loads("\n".join([*lines, "a = 1"])) == {"a": 1}
    assert all(line.startswith("# ") and "\n" not in line for line in lines)


@given(text=ANY)
def test_only_what_is_no_utf8_is_refused(text: str) -> None:
    """A lone surrogate represents a byte that TOML cannot hold. Everything else can be written."""
    if toml.writable(text):
        assert tomllib.loads(f"a = {toml.plain(text)}") == {"a": text}
    else:
        with pytest.raises(toml.NotWritable):
            toml.plain(text)


@given(text=ANY)
def test_a_literal_glob_matches_its_text(text: str) -> None:
    """Its own wildcards count as signs, and it can always be written."""
    glob = toml.literal(text)
    assert toml.writable(glob)
    assert fnmatchcase(text, glob)


def test_a_literal_glob_matches_nothing_else() -> None:
    """A name that looks like a pattern is taken as it is."""
    assert not fnmatchcase("/mnt/ab", toml.literal("/mnt/[ab]*"))
    assert not fnmatchcase("/mnt/a", toml.literal("/mnt/[a]"))


def test_a_long_list_has_an_item_on_each_line() -> None:
    """A short one stays on one."""
    assert toml.setting("of", ("a", "b")) == ['of = ["a", "b"]']
    assert toml.setting("of", ("x" * 70, "y" * 70))[0] == "of = ["
    assert toml.setting("limits", {}) == ["limits = {}"]


def test_marks_that_cannot_be_seen_are_written_by_their_number() -> None:
    """A mark that turns the writing around would make a line look like another."""
    assert toml.plain("a\u202eb\U000e0001") == '"a\\u202Eb\\U000E0001"'
