"""How the daemon tells of itself."""

from datetime import timedelta

from tests.support.house import House, watched
from watchkeeper.daemon.health import DELIVERY_LATE_S, REVIEW_LATE, Health
from watchkeeper.errors import ProbeTimeout
from watchkeeper.model.records import Entry
from watchkeeper.web.dashboard.health import HealthReport


async def test_all_is_well_while_probes_run_and_rules_are_applied() -> None:
    """A daemon that does its work passes, with nothing to say."""
    house = House()
    health = Health(house.clock, house.pipeline.state)
    await house.pipeline.review()
    assert health.read().fitness is HealthReport.PASS
    assert health.read().troubles == ()


async def test_a_probe_in_trouble_is_a_warning_with_its_reason() -> None:
    """The watch goes on, but not over everything."""
    house = House()
    health = Health(house.clock, house.pipeline.state)
    await house.run(watched(ProbeTimeout("no answer from /skerry within 10 s")))
    assert health.read().fitness is HealthReport.WARN
    assert health.read().troubles == ("probe hide-hub: no answer from /skerry within 10 s",)


async def test_rules_that_are_not_applied_are_a_failure() -> None:
    """Silence means that all is well only while somebody looks."""
    house = House()
    health = Health(house.clock, house.pipeline.state)
    house.clock.run(REVIEW_LATE + timedelta(seconds=1))
    assert health.read().fitness is HealthReport.FAIL


async def test_records_that_cannot_be_written_are_a_failure() -> None:
    """A full disk under the database is told, and how much waits."""
    house = House()
    health = Health(house.clock, house.pipeline.state)
    house.store.fill()
    await house.pipeline.note(Entry.NOTE, "a new pool was made")
    (check,) = (c for c in health.read().checks if c.component == "store")
    assert (check.fitness, check.observed) == (
        HealthReport.FAIL,
        4,
    )  # the note, and the alert about it with line and message
    assert "free some space" in check.output


class Deliveries:
    """An outbox of two notifiers."""

    def __init__(self, **failing: str) -> None:
        self._failing = failing

    def failing(self, longer_than_s: float) -> tuple[dict[str, str], int]:
        return (self._failing if longer_than_s == DELIVERY_LATE_S else {}), 2


async def test_messages_that_do_not_get_through() -> None:
    """One receiver that takes nothing is a warning; where none does, nobody is told, and that is a failure."""
    house = House()
    await house.pipeline.review()
    one = Health(house.clock, house.pipeline.state, Deliveries(mail="mail: no connection to the server")).read()
    assert (one.fitness, one.troubles) == (
        HealthReport.WARN,
        ("mail delivers nothing: no connection to the server",),
    )
    state, both = house.pipeline.state, Deliveries(mail="down", phone="down")
    assert Health(house.clock, state, both).read().fitness is HealthReport.FAIL
    assert Health(house.clock, state, Deliveries()).read().fitness is HealthReport.PASS
