"""Messages that wait, in words."""

from dataclasses import replace
from datetime import UTC, timedelta

from tests.support.messages import NOW, messages
from watchkeeper.messages.delivery import waiting
from watchkeeper.model.records import Delivery, DeliveryState

HOUR = timedelta(hours=1)
MADE = Delivery("mail", messages()[0], NOW, NOW, id=1)


def test_only_what_waits_and_the_next_first() -> None:
    """What was delivered or given up does not wait."""
    later, soon = replace(MADE, id=2, due_at=NOW + HOUR), replace(MADE, id=3)
    done = [replace(MADE, state=state) for state in (DeliveryState.DELIVERED, DeliveryState.SET_ASIDE)]
    assert waiting.waiting([later, *done, soon]) == [soon, later]


def test_why_it_waits() -> None:
    """For the end of quiet hours, for the next try, or for nothing."""
    held = replace(MADE, due_at=NOW + HOUR)
    tried = replace(held, tries=1, trouble="mail: connection refused\n")
    assert waiting.why(MADE, NOW, UTC) == "is sent now"
    assert waiting.why(held, NOW, UTC) == "held for quiet hours until Tue 24 Nov 10:12"
    assert waiting.why(tried, NOW, UTC) == (
        "not delivered after 1 try, next one Tue 24 Nov 10:12: mail: connection refused"
    )
    assert waiting.why(replace(tried, tries=3), NOW + HOUR, UTC).startswith(
        "not delivered after 3 tries, next one now:"
    )
    assert waiting.line(MADE, NOW, UTC).endswith("; is sent now")
