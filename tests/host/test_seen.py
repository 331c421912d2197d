"""The service under its unit's restrictions sees every store and every condition that its probes read."""

import pytest

from tests.host.station import Event, Station

pytestmark = pytest.mark.host

SEEN = {
    ("pool skerry", "space"), ("pool skerry", "health"), ("pool skerry", "errors"), ("pool skerry", "scrub"),
    ("dataset skerry/nest-cams", "own data"), ("dataset skerry/ringing-db", "own data"),
    ("volume group jetty", "space"), ("volume group jetty", "health"),
    ("thin pool jetty/footage", "data"), ("thin pool jetty/footage", "metadata"), ("thin pool jetty/footage", "health"),
    ("thin pool jetty/books", "data"), ("thin pool jetty/books", "metadata"), ("thin pool jetty/books", "health"),
    ("btrfs /srv/hides", "data"), ("btrfs /srv/hides", "metadata"), ("btrfs /srv/hides", "errors"),
    ("btrfs /srv/hides", "health"),
    ("array md0", "health"),
    ("disk QEMU NVMe Ctrl rigssd", "health"), ("disk QEMU NVMe Ctrl rigssd", "endurance"),
    ("guest hide-hub", "state"),
    ("unit tide-log.service", "state"),
    ("host", "all back after its restart"),
    ("snapshots of skerry/ringing-db (of datasets)", "newest"),
    ("snapshots of jetty/ringing-db (of volumes)", "newest"),
    ("snapshots of /srv/hides (of subvolumes)", "newest"),
    ("snapshots of exported", "newest"),
}  # fmt: skip
"""Subjects and quantities of every store of inside/layout.sh, and of what runs in the machine."""

PROBES = {
    "zfs", "lvm", "btrfs", "raid", "smart", "guests", "units", "after-reboot",
    "of datasets", "of volumes", "of subvolumes", "exported",
}  # fmt: skip
"""Every probe of station.toml, by its label."""


def test_the_hardened_service_sees_every_store(station: Station) -> None:
    """The service runs as a user without rights; every probe runs, and every store has its series."""
    station.start_guest("hide-hub")
    station.wait_until("every series", lambda: station.series() >= SEEN, 240, lacks=lambda: SEEN - station.series())
    user = station.machine.run("ps -o user= -p $(systemctl show -P MainPID watchkeeper)").strip()
    assert user not in {"root", ""}
    station.note(f"seen: {len(station.series())} series, by the user {user}")


def test_every_probe_sees_everything(station: Station) -> None:
    """No probe has a fault of its own: each runs, and each sees everything that it should."""

    def own() -> dict[tuple[str, str], Event]:
        return {key: found for key, found in station.findings().items() if key[0].startswith("probe ")}

    def blind() -> list[Event]:
        return [found for found in own().values() if found["priority"]]

    station.wait_until("that every probe sees everything", lambda: not blind(), 180, lacks=blind)
    found = {subject.removeprefix("probe ") for subject, _ in own()}
    assert found >= PROBES, PROBES - found
    assert {quantity for _, quantity in own()} == {"runs", "sees all"}
