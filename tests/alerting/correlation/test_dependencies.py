"""What depends on what, as the operator says it and as names say it."""

from watchkeeper.alerting.correlation.dependencies import Dependencies
from watchkeeper.model.observation import Condition, Level, SeriesKey, file_system_space


def house() -> Dependencies:
    """Services in guests, guests on a pool, a probe of a page that needs the router."""
    ties = Dependencies({"guests": ("pool skerry",), "hub-page": ("router",), "tide-log": ("guest ringing-db",)})
    for subject, probe in {
        "pool skerry": "zfs",
        "guest hide-hub": "guests",
        "guest ringing-db": "guests",
        "service hide-hub": "hub-page",
        "service tide-log": "tide-log",
        "host router": "router",
        "unit hide-hub": "units",
    }.items():
        ties.place(subject, probe)
    return ties


def test_a_service_depends_on_all_below_it_the_farthest_first() -> None:
    """The pool beneath the guest that the operator named."""
    assert house().dependencies_of("service tide-log") == ("pool skerry", "guest ringing-db")


def test_a_service_depends_on_the_guest_of_its_name_by_default() -> None:
    """And on what the operator names besides; a unit of the host that is called like a guest does not."""
    assert house().dependencies_of("service hide-hub") == ("router", "pool skerry", "guest hide-hub")
    assert house().dependencies_of("unit hide-hub") == ()


def test_a_subject_is_named_by_itself_and_by_its_probe() -> None:
    """Either name may stand in `depends_on`."""
    assert house().names("host router") == ("host router", "router")
    assert house().names("what nobody has seen") == ("what nobody has seen",)


def test_what_depends_on_a_subject_is_found_from_below() -> None:
    """A pool can say whom it carries."""
    assert house().dependents_of("pool skerry") == (
        "guest hide-hub",
        "guest ringing-db",
        "service hide-hub",
        "service tide-log",
    )
    ties = house()
    assert ties.dependents_of("host router") == ("service hide-hub",)
    assert ties.dependents_of("host router") == ("service hide-hub",)  # answered from what was noted
    assert house().dependents_of("service hide-hub") == ()


def test_a_circle_has_an_end() -> None:
    """Two that depend on each other are a mistake that hangs nothing."""
    ties = Dependencies({"one": ("service two",), "two": ("service one",)})
    ties.place("service one", "one")
    ties.place("service two", "two")
    assert ties.dependencies_of("service one") == ("service two",)
    assert ties.dependencies_of("service two") == ("service one",)


def test_a_subject_that_appears_later_counts_from_then_on() -> None:
    """A guest that is seen for the first time after its service is a tie all the same."""
    ties = Dependencies()
    ties.place("service hide-hub", "hub-page")
    assert ties.dependencies_of("service hide-hub") == ()
    ties.place("guest hide-hub", "guests")
    ties.place("guest hide-hub", "guests")
    assert ties.dependencies_of("service hide-hub") == ("guest hide-hub",)


def test_a_guest_that_two_probes_observe() -> None:
    """What runs and what is inside are looked at in turn: the guest's ties are those of both, and stay the same."""
    ties = Dependencies({"guests": ("pool skerry",), "guest-agents": ("host fulmar", "guests")})
    for probe in ("guests", "guest-agents", "guests", "guest-agents"):
        ties.place("guest hide-hub", probe)
        ties.place("service hide-hub", "hub-page")
        assert ties.dependencies_of("guest hide-hub")[0] == "pool skerry"
    assert ties.dependencies_of("service hide-hub") == ("pool skerry", "host fulmar", "guests", "guest hide-hub")
    assert ties.dependencies_of("guest hide-hub") == ("pool skerry", "host fulmar")
    assert ties.names("guest hide-hub") == ("guest hide-hub", "guests", "guest-agents")
    assert ties.subjects_of("guest-agents") == ["guest hide-hub"]
    assert ties.dependents_of("host fulmar") == ("guest hide-hub", "service hide-hub")


def test_a_probe_that_is_removed_or_renamed_ties_nothing() -> None:
    """A new configuration: what is still configured counts; a subject of none keeps its probe until it is gone."""
    ties = Dependencies({"guests": ("pool skerry",), "guest-agents": ("host fulmar",)})
    for probe in ("guests", "guest-agents"):
        ties.place("guest hide-hub", probe)
    assert Dependencies({"guests": ("pool skerry",)}, ties).probes_of("guest hide-hub") == ("guests",)
    assert Dependencies({"others": ()}, ties).probes_of("guest hide-hub") == ("guests", "guest-agents")


def part(subject: str, point: str) -> Level:
    """A part of a file system's space."""
    return Level(SeriesKey(subject, "size"), 1.0, 2.0, part_of=file_system_space(point))


def test_a_guest_depends_on_the_file_systems_of_its_images() -> None:
    """As the probe reports them; the service of its name depends on them too. A whole level ties nothing."""
    ties = house()
    assert ties.dependents_of("file system /srv") == ()
    ties.observe(Level(SeriesKey("file system /srv", "space"), 1.0, 2.0), "filesystems")
    for point in ("/srv", "/srv", "/mnt/jetty"):
        ties.observe(part(f"guest hide-hub: image {point}/hide-hub.qcow2", point), "guests")
    assert ties.dependents_of("file system /srv") == ("guest hide-hub", "service hide-hub")
    assert set(ties.dependencies_of("guest hide-hub")) == {"pool skerry", "file system /srv", "file system /mnt/jetty"}
    assert Dependencies(before=ties).dependencies_of("guest hide-hub") == ("file system /srv", "file system /mnt/jetty")


def test_a_directory_ties_nothing() -> None:
    """It is a part of its file system, and no guest."""
    ties = house()
    ties.observe(part("directory /srv/hide-hub", "/srv"), "filesystems")
    assert ties.dependents_of("file system /srv") == ()


def test_containers_depend_on_the_one_file_system_of_their_engine() -> None:
    """With a second engine elsewhere it is not known which container lies where."""
    ties = house()
    for name in ("chart-maker", "ring-reader"):
        ties.observe(Condition(SeriesKey(f"container {name}", "state"), ok=True), "containers")
    ties.observe(part("containers in /var/lib/containers", "/"), "containers")
    ties.observe(Condition(SeriesKey("container elsewhere", "state"), ok=True), "others")
    assert ties.dependents_of("file system /") == ("container chart-maker", "container ring-reader")
    ties.observe(part("containers in /srv/engine", "/srv"), "containers")
    assert ties.dependents_of("file system /") == ()
