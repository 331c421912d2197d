"""The sheet of the house: one page for somebody who looks after it while the operator is away. Pure.

It is made of the configuration and of what is seen. It names no address, login or token of the configuration: only what
the operator wrote for it, names, kinds and places of files. Not here: reading the configuration
(inventory/house_facts.py).
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

from watchkeeper.messages import wording
from watchkeeper.messages.delivery import stand_in
from watchkeeper.messages.delivery.stand_in import StandIn
from watchkeeper.messages.reports.report import Report, section
from watchkeeper.model.observation import OWN_SUBJECT, Deadline, Level
from watchkeeper.model.records import Seen

LISTED = 8
"""Lines of a section: the whole sheet is one page."""

NAMED = 12
"""Names in a line."""

LONGEST = 300
"""Characters of a line that the operator wrote."""

STORES = ("pool ", "thin pool ", "volume group ", "file system ")
KINDS = (
    ("guests", "guest "), ("containers", "container "), ("services", "service "), ("adapters and devices", "device "),
    ("other machines", "host "),
)  # fmt: skip
"""What is listed by name, and how its subjects begin."""

STEPS = (
    "Something does not work: run `watchkeeper status`, or open the page. The first line says what to do first.",
    "A store is full: `watchkeeper reclaim` shows what deleting snapshots would free. Delete nothing else.",
    "A guest is lost or damaged: `watchkeeper backups` shows its newest copy and where it lies.",
    "Before you restart the server: `watchkeeper preflight HOST` says what would not come back.",
)


@dataclass(frozen=True, slots=True)
class BackupPlace:
    """What a probe says of a backup: of what, where (`files in /srv/backups`), and the probe's name."""

    of: tuple[str, ...]
    where: str
    probe: str


@dataclass(frozen=True, slots=True)
class HouseFacts:
    """What the configuration says. what_if: what happened -> what to do first. notifiers: name and kind of each.

    page: the page's address. away: who else gets messages while the operator is away.
    """

    host: str
    contacts: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    what_if: Mapping[str, str] = field(default_factory=dict)
    backups: tuple[BackupPlace, ...] = ()
    notifiers: tuple[str, ...] = ()
    page: str = ""
    away: tuple[StandIn, ...] = ()


def sheet(
    facts: HouseFacts, seen: Sequence[Seen], dependents_of: Callable[[str], Sequence[str]], zone: tzinfo, now: datetime
) -> Report:
    """The sheet as it is now. dependents_of: the subjects that depend on a subject."""
    subjects = sorted({each.observation.key.subject for each in seen})
    steps = [f"{_clean(what)}: {_clean(first)}" for what, first in facts.what_if.items()]
    away = [f"stands in: {stand_in.line(each, zone, now)}" for each in stand_in.ahead(facts.away, now)]
    depending = [line for each in subjects if (line := _depending(each, dependents_of(each)))]
    sections = (
        section(
            "Whom to call", [_clean(each) for each in facts.contacts], "nobody is named in the configuration", LISTED
        ),
        section("What to do first", [*steps, *STEPS], "", LISTED + len(STEPS)),
        section("Notes", [_clean(each) for each in facts.notes], "none", LISTED),
        section("Stores", list(_stores(seen)), "none is seen", LISTED),
        section("What runs here", list(_named(subjects)), "nothing is seen", LISTED),
        section("What depends on what", depending, "nothing is known", LISTED),
        section("Where backups lie", [_backup(each, seen, zone, now) for each in facts.backups], _NO_BACKUPS, LISTED),
        section("Who gets messages", [*away, *facts.notifiers], "nobody", LISTED),
    )
    page = [f"The page is at {facts.page}."] if facts.page else []
    host = wording.clean(facts.host, 60)
    return Report(
        f"Sheet of {host}, {wording.instant(now, zone, now)}",
        f"what there is on {host}, and what to do first",
        (*page, "A snapshot on the same store is not a backup. Ask before you delete anything."),
        sections,
    )


_NO_BACKUPS = "no probe names in backup_of what it backs up"


def _clean(text: str) -> str:
    return wording.headed(text, LONGEST)


def _stores(seen: Iterable[Seen]) -> Iterable[str]:
    """The space of each store; not its inodes or metadata, nor parts of it."""
    for each in seen:
        found = each.observation
        if isinstance(found, Level) and _is_store(found):
            used = f"{wording.amount(found.used, found.unit)} of {wording.amount(found.capacity, found.unit)}"
            yield f"{wording.thing(found.key)}: {used} used"


def _is_store(level: Level) -> bool:
    named = level.key.subject.startswith(STORES) and level.key.quantity in {"space", "data"}
    return named and level.part_of is None


def _named(subjects: Sequence[str]) -> Iterable[str]:
    for noun, begin in KINDS:
        names = [each.removeprefix(begin) for each in subjects if each.startswith(begin)]
        if names:
            yield f"{noun}: {_list(names)}"


def _depending(subject: str, dependents: Sequence[str]) -> str:
    names = sorted(each for each in set(dependents) - {subject} if not each.startswith(OWN_SUBJECT))
    return f"on {wording.clean(subject, 60)}: {_list(names)}" if names else ""


def _list(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(wording.clean(each, 60) for each in names[:NAMED]) + more


def _backup(place: BackupPlace, seen: Iterable[Seen], zone: tzinfo, now: datetime) -> str:
    """`hide-hub: files in /srv/backups; newest Fri 27 Nov 03:00`."""
    times = [
        each.observation.last_at
        for each in seen
        if each.probe == place.probe and isinstance(each.observation, Deadline) and each.observation.last_at
    ]
    newest = f"newest {wording.instant(max(times), zone, now)}" if times else "none seen yet"
    return f"{_list(place.of)}: {wording.clean(place.where, 120)}; {newest}"
