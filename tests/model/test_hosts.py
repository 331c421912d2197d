"""The names of hosts before those of their subjects."""

from watchkeeper.model.hosts import apart, named
from watchkeeper.model.observation import OWN_SUBJECT, SeriesKey


def test_a_key_is_named_and_taken_apart() -> None:
    """Also a host's own series, which stay its own."""
    for key in (SeriesKey("pool skerry", "space"), SeriesKey(f"{OWN_SUBJECT}database", "size")):
        assert apart(named("gannet", key), ["gannet", "petrel"]) == ("gannet", key)
    assert named("gannet", SeriesKey("pool skerry", "space")) == SeriesKey("gannet: pool skerry", "space")


def test_names_with_the_separator_in_them() -> None:
    """The longest name that is known is the host's; one that is not known has nothing."""
    key = SeriesKey("a: b: c", "space")
    assert apart(key, ["a"]) == ("a", SeriesKey("b: c", "space"))
    assert apart(key, ["a", "a: b"]) == ("a: b", SeriesKey("c", "space"))
    assert apart(key, ["b"]) is None
    assert apart(SeriesKey("a", "space"), ["a"]) is None
