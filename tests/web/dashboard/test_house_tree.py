"""What is inside what on the page: the host, its stores, the guests on them, and what is inside a guest."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, timedelta

from tests.support import readstore
from tests.support.readstore import DAY, GIB, NOW, ReadStoreDouble
from tests.web.conftest import Open
from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.model.alert import Concern, Priority
from watchkeeper.model.forecast import NoEnd
from watchkeeper.model.observation import Level, SeriesKey, file_system_space
from watchkeeper.web.dashboard.cause_tree import DependentsOf
from watchkeeper.web.dashboard.dashboard import build_dashboard
from watchkeeper.web.dashboard.house_state import Branch, Inside, Line, backups, house

Lines = dict[str, "tuple[str, Lines]"]
"""Of each name: how it is, and what is inside it."""


def dependents(store: ReadStoreDouble, depends_on: Mapping[str, Sequence[str]] | None = None) -> DependentsOf:
    """What the daemon and `status` work out from the configuration and from what was observed."""
    found = Dependencies(depends_on or {})
    for each in store.seen:
        found.observe(each.observation, each.probe)
    return found.dependents_of


def tree(store: ReadStoreDouble, depends_on: Mapping[str, Sequence[str]] | None = None) -> Inside:
    """The tree of a store."""
    of = dependents(store, depends_on)
    board = build_dashboard(store.all_series, store.seen, store.found, store.raised, NOW, of)
    return house(board, of, UTC)


def lines(inside: Inside) -> Lines:
    """What is in the open, and each fold as a line without anything inside it."""
    found: Lines = {each.line.name: (each.line.value, lines(each.inside)) for each in inside.shown}
    return found | ({inside.fold: ("", {})} if inside.fold else {})


def guests_on_a_file_system() -> ReadStoreDouble:
    """Two guests whose images lie on /srv, containers whose engine's data lies on /, a router that is only pinged."""
    store = ReadStoreDouble()
    store.level("file system /", "space", 20 * GIB, 64 * GIB)
    store.level("file system /srv", "space", 300 * GIB, 900 * GIB)
    store.level("file system /srv", "inodes", 1e6, 1e7)
    for name in ("hide-hub", "tide-log"):
        image = SeriesKey(f"guest {name}: image /srv/{name}.qcow2", "size")
        store.add(Level(image, 5 * GIB, 32 * GIB, part_of=file_system_space("/srv")), None, probe="guests")
        store.condition(f"guest {name}", "state")
        store.level(f"guest {name}", "space on /", 3 * GIB, 8 * GIB)
        store.level(f"guest {name}", "memory inside", 1 * GIB, 4 * GIB)
        store.answer(f"service {name}", 0.038)
    data = SeriesKey("containers in /var/lib/containers", "images")
    store.add(Level(data, GIB, 64 * GIB, part_of=file_system_space("/")), None, probe="containers")
    store.condition("container chart-maker", "state")
    store.seen[-1] = replace(store.seen[-1], probe="containers")
    store.answer("host router", 0.001)
    return store


def test_the_host_its_stores_the_guests_and_what_is_inside_them() -> None:
    """Each thing is below what it depends on; what is only known by an address is not part of the host."""
    assert lines(tree(guests_on_a_file_system())) == {
        "file system /srv": (
            "33 % of 900 GiB",
            {
                "guest hide-hub": ("running", {"3 inside, OK": ("", {})}),
                "guest tide-log": ("running", {"3 inside, OK": ("", {})}),
            },
        ),
        "file system /": ("31 % of 64 GiB", {"container chart-maker": ("running", {})}),
    }


def test_what_is_wrong_in_a_guest_is_in_the_open() -> None:
    """A disk that fills inside a guest, a clock that is wrong, a service that is silent; the rest stays folded."""
    store = guests_on_a_file_system()
    space = store.level(
        "guest hide-hub",
        "space on /srv",
        60 * GIB,
        64 * GIB,
        full_in=(DAY, 2 * DAY, 3 * DAY),
        priority=Priority.WARNING,
    )
    store.alert(space.key, Concern.FULL, Priority.WARNING, timedelta(hours=1))
    store.condition("guest hide-hub", "clock", "its clock is 3 min behind the host", timedelta(minutes=5))
    srv = lines(tree(store))["file system /srv"][1]
    assert list(srv) == ["guest hide-hub", "guest tide-log"]
    assert srv["guest hide-hub"][1] == {
        "space on /srv": ("94 % of 64 GiB", {}),
        "clock": ("its clock is 3 min behind the host", {}),
        "3 more, OK": ("", {}),
    }


def test_what_was_read_in_a_guest_that_stopped_is_not_called_ok() -> None:
    """Its levels are those from before; and a stopped guest goes before the others."""
    store = guests_on_a_file_system()
    store.all_series = [each for each in store.all_series if each.key != SeriesKey("guest tide-log", "state")]
    store.condition("guest tide-log", "state", "paused: I/O error, no space", timedelta(minutes=5))
    srv = lines(tree(store))["file system /srv"][1]
    assert list(srv) == ["guest tide-log", "guest hide-hub"]
    assert srv["guest tide-log"] == ("paused: I/O error, no space", {"3 inside, as last read": ("", {})})


def test_what_is_not_known_yet_is_not_called_ok() -> None:
    """A level with too few readings has no alert; more is not known about it."""
    store = guests_on_a_file_system()
    store.level("guest tide-log", "space on /srv", 3 * GIB, 8 * GIB, no_end=NoEnd.TOO_FEW)
    srv = lines(tree(store))["file system /srv"][1]
    assert srv["guest tide-log"] == ("running", {"4 inside, no alert": ("", {})})


def test_the_nearest_holder_is_taken() -> None:
    """A service that also depends on a router and on the pool is in its guest; a cycle hangs nothing."""
    store = readstore.calm()
    depends_on = {"host": ("pool skerry",)}
    (pool,) = [each for each in tree(store, depends_on).shown if each.line.name == "pool skerry"]
    found = {each.line.name: [b.line.name for b in each.inside.shown] for each in pool.inside.shown}
    assert found["guest hide-hub"] == ["service hide-hub"]
    circle = tree(guests_on_a_file_system(), {"host": ("file system /", "file system /srv")})
    assert {"file system /", "file system /srv"} <= set(lines(circle))


def test_single_ends_and_overdue_things_have_their_words() -> None:
    """A certificate expires; a scrub that is late is listed below its pool."""
    store = ReadStoreDouble()
    store.level("pool skerry", "space", 1.0, 2.0)
    scrub = store.deadline("pool skerry", "scrub", timedelta(days=-2), 35 * DAY, Priority.WARNING)
    store.alert(scrub.key, Concern.OVERDUE, Priority.WARNING, DAY)
    soon = store.deadline("service hide-hub", "certificate", timedelta(days=6), None, Priority.CAUTION)
    store.alert(soon.key, Concern.OVERDUE, Priority.CAUTION, DAY)
    found = lines(tree(store))
    assert found["pool skerry"][1] == {"scrub": ("overdue by 2 days", {})}
    assert found["service hide-hub"] == ("expires in 6 days", {})


def test_unusual_growth_is_named_only() -> None:
    """What it would lead to has a section of its own above the tree."""
    store = ReadStoreDouble()
    store.growing("pool skerry", 1_300.0 * GIB, 2_048.0 * GIB)
    (pool,) = tree(store).shown
    assert pool.line.trend == "growing unusually fast since 05:24"


def every(inside: Inside) -> list[Branch]:
    """All branches that are listed, folded ones too."""
    own = [*inside.shown, *inside.folded]
    return [*own, *(each for one in own for each in every(one.inside))]


def test_many_guests_are_folded_and_none_that_is_not_well() -> None:
    """Of forty guests eight are in the open, and the one that is down, first."""
    store = ReadStoreDouble()
    store.level("pool skerry", "space", 1.0, 2.0)
    for i in range(40):
        store.condition(f"guest hide-{i}", "state", "shut off" if i == 33 else "", DAY if i == 33 else None)
    (pool,) = tree(store, {"host": ("pool skerry",)}).shown
    assert [each.line.name for each in pool.inside.shown[:2]] == ["guest hide-33", "guest hide-0"]
    assert (len(pool.inside.shown), pool.inside.fold) == (8, "32 more, OK")
    assert len(every(pool.inside)) == 40


async def test_the_tree_is_nested_lists_on_the_page(page: Open) -> None:
    """A screen reader says how deep a line is, and every line has its link."""
    html = await (await (await page(readstore.full())).get("/")).text()
    part = html[html.index('id="house"') : html.index("</section>", html.index('id="house"'))]
    assert part.count("<ul") == part.count("</ul>") >= 6
    assert part.index("pool skerry") < part.index("guest hide-hub") < part.index("service hide-hub")


def sets(*names: str) -> list[Line]:
    """The lines of sets of snapshots that are due at the same time, and of one that is overdue."""
    store = ReadStoreDouble()
    for name in names:
        store.deadline(f"snapshots of {name}", "age of the newest", timedelta(hours=5), DAY)
    store.deadline("snapshots of nest-cams", "age of the newest", timedelta(hours=-5), DAY, Priority.WARNING)
    return list(backups(build_dashboard(store.all_series, store.seen, store.found, store.raised, NOW)).shown)


def test_equal_snapshots_are_one_line() -> None:
    """Said once of those of which the same is said; an overdue one keeps its line."""
    together, late = sorted(sets("hide-hub", "ringing-db", "tide-log"), key=lambda each: not each.well)
    assert (together.before, [name for _, name in together.links]) == (
        "snapshots of ",
        ["hide-hub", "ringing-db", "tide-log"],
    )
    assert (together.value, together.trend, together.things) == ("19 h old", "due in 5 h", 3)
    assert (late.name, late.links, late.trend, late.things) == (
        "snapshots of nest-cams", (), "overdue by 5 h", 1,
    )  # fmt: skip


def test_of_many_equal_snapshots_four_are_named() -> None:
    """The rest is counted, and never a single one."""
    five, six = (next(each for each in sets(*"abcdef"[:count]) if each.well) for count in (5, 6))
    assert (len(five.links), five.more, five.things) == (5, 0, 5)
    assert (len(six.links), six.more, six.things) == (4, 2, 6)


async def test_equal_snapshots_have_a_link_each(page: Open) -> None:
    """Each is a link of its own, as nothing else of the line is."""
    store = ReadStoreDouble()
    for name in ("hide-hub", "tide-log"):
        store.deadline(f"snapshots of {name}", "age of the newest", timedelta(hours=5), DAY)
    text = await (await (await page(store)).get("/")).text()
    line = text[text.index('<span class="name several">') :].partition("</li>")[0]
    assert line.count("<a ") == 2
    assert " and <a" in line
    assert "19 h old" in line
