"""JSON Pointer against the examples of RFC 6901, and comparison as JSON."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchkeeper.probes.support.json_pointer import Json, NoSuchValue, parse_pointer, resolve, same

# RFC 6901, section 5: the example document, and what each pointer evaluates to.
DOCUMENT: Json = json.loads(
    r"""
    {
      "foo": ["bar", "baz"],
      "": 0,
      "a/b": 1,
      "c%d": 2,
      "e^f": 3,
      "g|h": 4,
      "i\\j": 5,
      "k\"l": 6,
      " ": 7,
      "m~n": 8
    }
    """
)
EXAMPLES: list[tuple[str, Any]] = [
    ("", DOCUMENT),
    ("/foo", ["bar", "baz"]),
    ("/foo/0", "bar"),
    ("/", 0),
    ("/a~1b", 1),
    ("/c%d", 2),
    ("/e^f", 3),
    ("/g|h", 4),
    ("/i\\j", 5),
    ('/k"l', 6),
    ("/ ", 7),
    ("/m~0n", 8),
]

documents = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.parametrize(("pointer", "value"), EXAMPLES)
def test_the_examples_of_the_rfc(pointer: str, value: Json) -> None:
    """Every example of RFC 6901, section 5, evaluates to what it says there."""
    assert resolve(DOCUMENT, parse_pointer(pointer)) == value


def test_escapes_are_undone_in_the_order_that_the_rfc_asks_for() -> None:
    """RFC 6901, section 4: `~01` becomes `~1`, not a slash."""
    assert parse_pointer("/~01/~10") == ("~1", "/0")


@pytest.mark.parametrize("pointer", ["foo", "#/foo", "/a~", "/a~2", "/~/b"])
def test_what_is_no_pointer_is_refused(pointer: str) -> None:
    """A text that is not a JSON Pointer is refused with what is allowed."""
    with pytest.raises(ValueError, match="RFC 6901"):
        parse_pointer(pointer)


@pytest.mark.parametrize(
    ("pointer", "ended"),
    [
        ("/nobody", "/nobody"),
        ("/foo/2", "/foo/2"),
        ("/foo/-", "/foo/-"),
        ("/foo/01", "/foo/01"),
        ("/foo/-1", "/foo/-1"),
        ("/foo/²", "/foo/²"),
        ("/foo/99999999999999999999", "/foo/99999999999999999999"),
        ("/foo/0/deeper/still", "/foo/0/deeper"),
    ],
)
def test_a_pointer_to_nothing_says_where_it_ended(pointer: str, ended: str) -> None:
    """A pointer that leads nowhere is an error that holds the part that was missing; `-` and `01` are no elements."""
    with pytest.raises(NoSuchValue) as caught:
        resolve(DOCUMENT, parse_pointer(pointer))
    assert str(caught.value) == ended


@given(documents, st.data())
def test_every_value_can_be_pointed_to(document: Json, data: st.DataObject) -> None:
    """From any place in any document a pointer can be written that leads back to it."""
    pointer, value = "", document
    while isinstance(value, dict | list) and value and data.draw(st.booleans()):
        if isinstance(value, dict):
            token = data.draw(st.sampled_from(sorted(value)))
            value = value[token]
        else:
            index = data.draw(st.integers(0, len(value) - 1))
            token, value = str(index), value[index]
        pointer += "/" + token.replace("~", "~0").replace("/", "~1")
    assert resolve(document, parse_pointer(pointer)) is value


@given(documents)
def test_a_document_is_the_same_as_itself(document: Json) -> None:
    """Equality is reflexive, also after writing and reading."""
    assert same(document, json.loads(json.dumps(document)))


@pytest.mark.parametrize(
    ("one", "other", "equal"),
    [
        (1, 1.0, True),
        (1, True, False),
        (0, False, False),
        (None, False, False),
        ("1", 1, False),
        ([1, [True]], [1, [1]], False),
        ({"a": [1]}, {"a": [1.0]}, True),
        ({"a": 1}, {"b": 1}, False),
        ([1], [1, 2], False),
        ({}, [], False),
    ],
)
def test_values_compare_as_json(one: Json, other: Json, equal: bool) -> None:  # noqa: FBT001  a table of cases
    """Numbers compare by value, and true is not 1 at any depth."""
    assert same(one, other) is equal
    assert same(other, one) is equal
