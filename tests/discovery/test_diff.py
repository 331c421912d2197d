"""What has appeared since, and what is gone, against configurations as they load."""

from collections.abc import Sequence
from typing import Any

import pytest

from watchkeeper.config.loading import check_document
from watchkeeper.config.secrets import Secrets
from watchkeeper.config.types import ProbeSettings
from watchkeeper.discovery.diff import compare
from watchkeeper.discovery.proposal import Found, Key, Proposal, Thing, things
from watchkeeper.settings import known_model


def configured(*tables: dict[str, Any]) -> Sequence[ProbeSettings]:
    """Probes as a document has them, and no others."""
    document = {"watch_host": False, "store": {"path": "/dev/null"}, "probe": list(tables)}
    return check_document(known_model(), document, Secrets.LEFT_ALONE).settings.probes


def seen(kind: str, sort: str, *names: str, offered: bool = False) -> Found:
    """One proposal, about things that are there and were all examined."""
    there = things(sort, names)
    return Found((Proposal(kind, offered=offered, things=there),), there=frozenset(there), looked=frozenset({sort}))


def test_a_pool_that_is_new() -> None:
    """It is reported until it is named, and not after that."""
    found = seen("zfs", "pool", "skerry", "holm")
    assert compare(found, configured()).appeared == ("pool skerry", "pool holm")
    difference = compare(found, configured({"kind": "zfs", "pools": ["skerry"]}))
    assert difference.appeared == ("pool holm",)
    assert [each.kind for each in difference.proposals] == ["zfs"]
    assert compare(found, configured({"kind": "zfs", "pools": ["skerry", "holm"]})) == compare(Found(), ())


def test_what_is_left_out_is_no_news() -> None:
    """The operator has decided about it."""
    found = seen("guests", "guest", "trial-7")
    tables = {"kind": "guests", "sockets": ["/run/guests/*.qmp"], "exclude": ["trial-*"]}
    assert not compare(found, configured(tables)).appeared


def test_a_pool_that_is_gone() -> None:
    """It is reported if all pools were examined, and not if none could be."""
    probes = configured({"kind": "zfs", "pools": ["skerry", "holm"]})
    assert compare(seen("zfs", "pool", "skerry"), probes).gone == ("pool holm, which probe zfs names",)
    assert not compare(Found(), probes).gone


@pytest.mark.parametrize(
    ("table", "sort", "name"),
    [
        ({"kind": "raid", "arrays": ["md0"]}, "array", "md0"),
        ({"kind": "guests", "sockets": ["/a"], "expected": ["hide-hub"]}, "guest", "hide-hub"),
        ({"kind": "units", "active": ["tide-log.service"]}, "unit", "tide-log.service"),
        ({"kind": "device", "name": "radio", "serial": "usb-radio"}, "device", "usb-radio"),
        ({"kind": "device", "name": "radio", "usb": "1a2b:3c4d"}, "device", "1a2b:3c4d"),
        ({"kind": "http", "name": "hub", "url": "http://127.0.0.1:8123/"}, "port", "8123"),
        ({"kind": "http", "name": "hub", "url": "https://localhost/"}, "port", "443"),
        ({"kind": "tcp", "name": "db", "host": "::1", "port": 5432}, "port", "5432"),
        ({"kind": "filesystems", "also": ["/mnt/nest-cams", "/mnt/*"]}, "file system", "/mnt/nest-cams"),
        ({"kind": "zfs-snapshots", "name": "a", "datasets": ["a/b", "*"], "max_age": "2h"}, "snapshots of zfs", "a/b"),
        ({"kind": "lvm-snapshots", "name": "a", "volumes": ["vg0/a"], "max_age": "2h"}, "snapshots of lvm", "vg0/a"),
        ({"kind": "btrfs-snapshots", "name": "a", "filesystems": ["/srv"], "max_age": "2h"},
         "snapshots of btrfs", "/srv"),
    ],
)  # fmt: skip
def test_each_kind_names_its_things(table: dict[str, Any], sort: str, name: str) -> None:
    """What it names is gone where it is not there, and is covered where it is; wildcards name nothing."""
    probes = configured(table)
    (gone,) = compare(Found(looked=frozenset({sort})), probes).gone
    assert gone.startswith(f"{sort} {name}, which probe ")
    assert compare(seen(table["kind"], sort, name), probes) == compare(Found(), ())


def test_services_of_other_hosts_are_not_missed() -> None:
    """The survey sees this host's ports alone."""
    probes = configured({"kind": "http", "name": "jetty", "url": "http://jetty.test:80/"})
    assert not compare(Found(looked=frozenset({"port"})), probes).gone


def test_a_port_may_be_watched_either_way() -> None:
    """Whoever watches a web service by its port alone has decided so."""
    found = seen("http", "port", "8123")
    assert not compare(found, configured({"kind": "tcp", "name": "hub", "host": "127.0.0.1", "port": 8123})).appeared
    assert compare(found, configured()).appeared == ("port 8123",)


def test_a_service_is_compared_by_its_name_too() -> None:
    """A number alone says little."""
    hub = Proposal("http", (Key("name", "hide-hub on 8123"),), things=things("port", ["8123"]))
    assert compare(Found((hub,)), configured()).appeared == ("port 8123 (hide-hub on 8123)",)


def test_sets_of_snapshots_are_covered_by_globs() -> None:
    """By the origin and a name of the set."""
    hourly = Thing("snapshots of zfs", "skerry/hide-hub", "hourly-7")
    found = Found((Proposal("zfs-snapshots", things=(hourly,)),))
    table = {
        "kind": "zfs-snapshots",
        "name": "a",
        "datasets": ["skerry/*"],
        "name_pattern": ["hourly-*"],
        "max_age": "2h",
    }
    assert not compare(found, configured(table)).appeared
    assert compare(found, configured({**table, "name_pattern": ["daily-*"]})).appeared == (
        "snapshots of zfs skerry/hide-hub (such as hourly-7)",
    )


def test_files_are_covered_by_their_folder_or_a_glob() -> None:
    """A folder means the files in it."""
    found = Found((Proposal("snapshots", things=(Thing("files", "/srv/backup", "db-7.sql"),)),))
    table = {"kind": "snapshots", "name": "db", "max_age": "2h"}
    for pattern, news in (("/srv/backup", 0), ("/srv/backup/*.sql", 0), ("/srv/backup/*.img", 1)):
        assert len(compare(found, configured({**table, "files": [pattern]})).appeared) == news


def test_kinds_without_names() -> None:
    """A thin pool on a host where LVM is not watched is news; that the clock is not watched is a choice."""
    found = Found((Proposal("lvm"), Proposal("clock")))
    assert compare(found, configured()).appeared == ("lvm: nothing of this kind is monitored yet",)
    assert not compare(found, configured({"kind": "lvm"})).appeared


def test_what_is_only_offered_is_no_news() -> None:
    """It would be reported every time to an operator who does not want it."""
    assert not compare(seen("tcp", "port", "22", offered=True), configured()).appeared
