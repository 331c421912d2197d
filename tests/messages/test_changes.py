"""What changed before an alert began: which changes, in which order, and how they are written."""

from datetime import UTC, datetime, timedelta

from watchkeeper.messages import changes
from watchkeeper.model.alert import Concern
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast, UnusualGrowth
from watchkeeper.model.observation import SeriesKey

NOW = datetime(2026, 11, 27, 14, 5, tzinfo=UTC)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
KEY = SeriesKey("service hide-hub", "answer")
MOUNTED = Change(NOW - HOUR, ChangeKind.MOUNT, "/mnt/jetty", "unmounted", "(/dev/sdb1, ext4)", NOW - 2 * HOUR)
NOTED = Change(NOW - 3 * HOUR, ChangeKind.NOTE, "the operator", "noted:", "Replaced the second disk.")


def upgraded(name: str, at: datetime) -> Change:
    """An upgrade of a package."""
    return Change(at, ChangeKind.PACKAGE, name, "upgraded", "from 3.0.9 to 3.0.11")


def lines(*found: Change) -> list[str]:
    """The lines of a message about these."""
    return changes.paragraph(changes.before(found, NOW), UTC, NOW).splitlines()


def test_nearest_first_with_time_and_without_a_cause() -> None:
    """One line each; the heading says that it need not be the cause."""
    assert lines(NOTED, MOUNTED, upgraded("openssl", NOW - 2 * HOUR)) == [
        "Changed in the 24 hours before it began (not necessarily the cause):",
        "  Fri 27 Nov 12:05 to Fri 27 Nov 13:05: mount /mnt/jetty unmounted (/dev/sdb1, ext4)",
        "  Fri 27 Nov 12:05: package openssl upgraded from 3.0.9 to 3.0.11",
        "  Fri 27 Nov 11:05: the operator noted: Replaced the second disk.",
    ]
    assert lines() == []


def test_what_may_have_come_before_counts_and_what_came_later_does_not() -> None:
    """A change seen after the beginning belongs to it if it may have happened before; one of long ago does not."""
    seen_later = Change(NOW + MINUTE, ChangeKind.UNIT, "/etc/systemd/system/hub.service", "changed", "", NOW - MINUTE)
    later = upgraded("zlib1g", NOW + MINUTE)
    old = upgraded("libc6", NOW - changes.WITHIN - MINUTE)
    assert changes.before([later, old, seen_later], NOW) == (seen_later,)


def test_a_short_uncertainty_is_one_time() -> None:
    """The time when it was seen, if it was seen soon."""
    soon = Change(NOW, ChangeKind.DEVICE, "disk Skua 4 TB", "appeared", "(sdc)", NOW - changes.EXACT)
    assert lines(soon)[1:] == ["  Fri 27 Nov 14:05: device disk Skua 4 TB appeared (sdc)"]


def test_changes_of_one_sort_are_one_line() -> None:
    """An upgrade changes many packages within minutes; a name that is listed twice counts once."""
    many = [upgraded(name, NOW - n * MINUTE) for n, name in enumerate(["openssl", "zlib1g", "openssl", "libc6", "tar"])]
    assert lines(*many)[1:] == ["  Fri 27 Nov 14:05: 4 packages upgraded: openssl, zlib1g, libc6 and 1 more"]
    assert lines(*many[:3])[1:] == ["  Fri 27 Nov 14:05: 2 packages upgraded: openssl, zlib1g"]
    assert lines(many[0], many[2])[1:] == ["  Fri 27 Nov 14:05: 1 package upgraded: openssl"]


def test_what_differs_stays_apart() -> None:
    """Another action, a long pause between, and kinds that have no plural."""
    removed = Change(NOW, ChangeKind.PACKAGE, "tar", "removed", "1.34")
    apart = [removed, upgraded("tar", NOW), upgraded("zlib1g", NOW - changes.TOGETHER - MINUTE)]
    assert len(changes.grouped(apart)) == 3
    assert len(changes.grouped([NOTED, NOTED])) == 2


def test_a_message_has_few_lines() -> None:
    """The rest is counted, with the command that lists it."""
    many = [upgraded(f"package-{n}", NOW - n * HOUR) for n in range(8)]
    assert lines(*many)[-1] == "  and 3 more: `watchkeeper changes --since 2d`"
    assert len(lines(*many)) == 2 + changes.SHOWN


def test_when_it_began() -> None:
    """As the finding knows it, never after it was raised; a young growth began when it did."""
    raised = NOW
    found = Finding(KEY, Concern.NOT_ANSWERING, NOW, None)
    assert changes.began_at(found, raised) == raised
    since = Finding(KEY, Concern.NOT_ANSWERING, NOW, None, since=NOW - HOUR)
    assert changes.began_at(since, raised) == NOW - HOUR
    growth = UnusualGrowth((NOW - 2 * HOUR).timestamp(), 1.0, NOW.timestamp() + 9e4)
    young = Forecast(NOW.timestamp(), 1.0, 2.0, unusual=growth)
    assert changes.began_at(Finding(KEY, Concern.FULL, NOW, None, forecast=young), raised) == NOW - 2 * HOUR
    plain = Forecast(NOW.timestamp(), 1.0, 2.0)
    assert changes.began_at(Finding(KEY, Concern.FULL, NOW, None, forecast=plain), raised) == raised
