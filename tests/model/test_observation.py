"""What a probe could not look at, as it is stored."""

from watchkeeper.model.observation import UNSEEN_LIMIT, Condition, SeriesKey, Unseen, unseen_facts, unseen_in


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


def test_a_condition_that_cannot_be_judged_is_not_said_to_be_ok() -> None:
    """By a fact of one of two names; what is faulty is judged whatever else is known."""
    key = SeriesKey("service hide-hub", "speed")
    assert (
        Condition(key, ok=True, facts=(("still learning", "1 of 72 hours"),)).unjudged
        == "still learning: 1 of 72 hours"
    )
    assert Condition(key, ok=True, facts=(("not measured", "no answer"),)).unjudged == "not measured: no answer"
    assert Condition(key, ok=True, facts=(("usual", "0.1 s"),)).unjudged == ""
    assert Condition(key, ok=False, reason="slow", facts=(("still learning", "1 of 72 hours"),)).unjudged == ""
