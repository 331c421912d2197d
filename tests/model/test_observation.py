"""What a probe could not look at, as it is stored."""

from watchkeeper.model.observation import UNSEEN_LIMIT, Unseen, unseen_facts, unseen_in


def test_what_was_not_looked_at_is_stored_as_facts() -> None:
    """It can be read from them again; other facts are not taken for it."""
    unseen = [Unseen("file system /srv: its directory", "no permission"), Unseen("disk sda", "no tool")]
    assert unseen_in((("running for", "2d"), *unseen_facts(unseen))) == tuple(unseen)
    assert unseen_facts([]) == ()


def test_a_probe_that_sees_very_little() -> None:
    """A bounded number is listed, the rest is counted."""
    found = unseen_in(unseen_facts([Unseen(f"guest {n}", "no monitor") for n in range(UNSEEN_LIMIT + 7)]))
    assert len(found) == UNSEEN_LIMIT + 1
    assert found[-1] == Unseen("more", "7 further things")
