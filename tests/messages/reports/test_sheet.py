"""The sheet of the house: what the operator wrote, what is seen, and no more lines than fit."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.messages.reports.report import Report, report_text
from watchkeeper.messages.reports.sheet import LISTED, STEPS, BackupPlace, HouseFacts, sheet
from watchkeeper.model.observation import Condition, Deadline, Level, Observation, SeriesKey
from watchkeeper.model.records import Seen

NOW = datetime(2026, 12, 1, 9, tzinfo=UTC)
GIB = 2.0**30
COPY = SeriesKey("snapshots of hide-hub", "newest")
SKERRY = SeriesKey("pool skerry", "space")


def seen(*found: Observation, probe: str = "all") -> list[Seen]:
    """Observations of one probe."""
    return [Seen(NOW, each, probe, 60.0) for each in found]


def works(subject: str) -> Condition:
    """A subject that is OK."""
    return Condition(SeriesKey(subject, "state"), ok=True)


def rests(subject: str) -> Sequence[str]:
    """Two guests on the pool; the pool is among what depends on it, as in a ring."""
    return ("pool skerry", "guest tide-log", "probe guests", "guest hide-hub") if subject == "pool skerry" else ()


def lines(found: Report) -> dict[str, tuple[str, ...]]:
    """The lines by heading."""
    return {each.heading: each.lines for each in found.sections}


def test_a_house() -> None:
    """Each section, in the operator's words and in those of what is seen."""
    facts = HouseFacts(
        "gannet",
        ("the warden: 100",),
        ("the key hangs in the kitchen",),
        {"The hides are dark": "look at hide-hub"},
        (
            BackupPlace(("hide-hub",), "files /srv/copies/*.img", "copies"),
            BackupPlace(("*",), "job nightly", "nightly"),
        ),
        ("mail", "phone (webhook)"),
        "https://gannet.example.org/",
        (StandIn("neighbour", NOW, NOW + timedelta(days=9)), StandIn("warden", NOW, NOW)),
    )
    everything = [
        *seen(
            Level(SKERRY, 500 * GIB, 1024 * GIB), Level(SeriesKey("pool skerry", "inodes"), 1, 2),
            Level(SeriesKey("pool skerry", "space of cams"), 1, 2, part_of=SKERRY),
            Level(SeriesKey("memory", "used"), 1, 2),
            works("guest hide-hub"), works("guest tide-log"), works("service hide-hub"), works("device radio"),
        ),
        *seen(Deadline(COPY, NOW, NOW - timedelta(hours=6), 86_400.0), probe="copies"),
        *seen(Deadline(SeriesKey("job nightly", "report"), NOW, None, 86_400.0), probe="nightly"),
    ]  # fmt: skip
    found = sheet(facts, everything, rests, UTC, NOW)
    assert (found.title, found.remarks[0]) == (
        "Sheet of gannet, Tue 1 Dec 09:00", "The page is at https://gannet.example.org/.",
    )  # fmt: skip
    assert lines(found) == {
        "Whom to call": ("the warden: 100",),
        "What to do first": ("The hides are dark: look at hide-hub", *STEPS),
        "Notes": ("the key hangs in the kitchen",),
        "Stores": ("pool skerry: 500 GiB of 1 TiB used",),
        "What runs here": ("guests: hide-hub, tide-log", "services: hide-hub", "adapters and devices: radio"),
        "What depends on what": ("on pool skerry: guest hide-hub, guest tide-log",),
        "Where backups lie": (
            "hide-hub: files /srv/copies/*.img; newest Tue 1 Dec 03:00", "*: job nightly; none seen yet",
        ),
        "Who gets messages": (
            "stands in: neighbour, until Thu 10 Dec 09:00, warning and above", "mail", "phone (webhook)",
        ),
    }  # fmt: skip


def test_nothing_is_known() -> None:
    """It says so of each part."""
    found = sheet(HouseFacts("gannet"), [], rests, UTC, NOW)
    assert lines(found)["Whom to call"] == ("nobody is named in the configuration",)
    assert "no probe names in backup_of what it backs up" in report_text(found)
    assert len(found.remarks) == 1


def test_a_large_house_is_counted() -> None:
    """So that it stays one page."""
    many = seen(
        *(works(f"guest tide-{n:02}") for n in range(20)),
        *(Level(SeriesKey(f"pool {n}", "space"), 1, 2) for n in range(20)),
    )
    found = sheet(HouseFacts("gannet"), many, rests, UTC, NOW)
    assert [each.more for each in found.sections if each.heading == "Stores"] == [20 - LISTED]
    assert lines(found)["What runs here"][0].endswith("tide-11 and 8 more")
