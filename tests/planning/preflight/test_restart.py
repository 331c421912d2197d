"""What a restart would not bring back: one of each kind, and the go that says what was looked at."""

from watchkeeper.model.kernel import Kernel
from watchkeeper.planning.preflight import restart
from watchkeeper.planning.preflight.decide import Verdict
from watchkeeper.planning.preflight.restart import RunningContainer, RunningGuest, RunningUnit


def said(points: object) -> list[str]:
    """Each point in words."""
    assert not isinstance(points, str)
    return [f"{each.verdict.value}: {each.about}: {each.reason}" for each in points]  # type: ignore[attr-defined]


def test_units() -> None:
    """A disabled one that another starts comes back; one that nothing starts does not."""
    units = [
        RunningUnit("hub.service", "enabled"),
        RunningUnit("lamps.service", "disabled", ("lamps.socket",)),
        RunningUnit("dbus.service", "static"),
    ]
    assert said(restart.unit_points(units)) == ["go: services: all 3 that run are started at boot or by another unit"]
    lost = [RunningUnit("tides.service", "disabled"), RunningUnit("run-1.service", "transient")]
    assert said(restart.unit_points([*units, *lost])) == [
        "no-go: unit tides.service: it runs, but is disabled: nothing starts it after a restart",
        "no-go: unit run-1.service: it runs, but is transient: nothing starts it after a restart",
    ]


def test_mounts() -> None:
    """Mounted and not named, named and not mounted, and neither."""
    assert said(restart.mount_points({"/": "/dev/sda2", "/srv": "/dev/sdb1"}, {"/srv": "/etc/fstab"})) == [
        "go: mounts: all 2 are named in /etc/fstab or by a mount unit"
    ]
    assert said(restart.mount_points({"/": "/dev/sda2", "/mnt/jetty": "/dev/sdc1"}, {"/srv": "/etc/fstab"})) == [
        "no-go: mount /mnt/jetty: mounted from /dev/sdc1, but neither /etc/fstab nor an enabled mount unit names it",
        "no-go: mount /srv: /etc/fstab names it, but it is not mounted: will it be?",
    ]
    # The root is mounted, also where it is no device: on a live system, or in a container.
    assert said(restart.mount_points({"/srv": "/dev/sdb1"}, {"/": "/etc/fstab", "/srv": "/etc/fstab"})) == [
        "go: mounts: all 1 are named in /etc/fstab or by a mount unit"
    ]


def test_guests() -> None:
    """By hand, by a disabled unit, by an enabled one, and one whose process is not found."""
    guests = [
        RunningGuest("hide-hub", "hide-hub.service", "enabled"),
        RunningGuest("ringing-db", "ringing-db.service", "disabled"),
        RunningGuest("nest-cams", "session-3.scope"),
        RunningGuest("tide-log"),
        RunningGuest("spare", "spare.service", ""),
    ]
    assert said(restart.guest_points(guests)) == [
        "go: guest hide-hub: its unit hide-hub.service is enabled",
        "no-go: guest ringing-db: its unit ringing-db.service is disabled: nothing starts it after a restart",
        "no-go: guest nest-cams: it was started by hand (session-3.scope): nothing starts it after a restart",
        "not known: guest tide-log: cannot tell what starts it: its process was not found",
        "go: guest spare: its unit spare.service is started by another",
    ]


def test_guests_of_libvirt() -> None:
    """It says itself which it starts."""
    guests = [RunningGuest("hide-hub", libvirt=True), RunningGuest("tide-log", libvirt=False)]
    assert said(restart.guest_points(guests)) == [
        "go: guest hide-hub: libvirt starts it with the host",
        "no-go: guest tide-log: libvirt does not start it with the host (virsh autostart)",
    ]


def test_containers() -> None:
    """By a policy, if something starts the engine, or by a unit of their own."""
    docker, all_of_them = "docker.service", frozenset({"always", "unless-stopped"})
    well = [
        RunningContainer("hub", "always", "", "", docker, "enabled", all_of_them),
        RunningContainer("lamps", "no", "lamps.service", "generated"),
    ]
    assert said(restart.container_points(well)) == [
        "go: containers: all 2 that run are started by their engines or by a unit"
    ]
    assert said(restart.container_points([])) == []
    lost = [
        RunningContainer("gull", "", "", "", docker, "enabled", all_of_them),
        RunningContainer("tern", "always", "", "", docker, "disabled", all_of_them),
        RunningContainer("auk", "always", "", "", docker, "", all_of_them),
        RunningContainer("reed", "no", "reed.service", "transient"),
    ]
    assert said(restart.container_points([*well, *lost])) == [
        'no-go: container gull: its restart policy is "no": nothing starts it after a restart',
        "no-go: container tern: docker.service is disabled: nothing starts it after a restart",
        "no-go: container auk: docker.service is not enabled: nothing starts it after a restart",
        "no-go: container reed: its unit reed.service is transient: nothing starts it after a restart",
    ]


def test_the_kernel_that_will_boot() -> None:
    """Without an initramfs, unless the running one has none either; without the ZFS module; and no kernel at all."""
    why = "its initramfs is missing in /boot; it has no ZFS module: pools would not be imported"
    old = Kernel("6.1.0-26-amd64", initramfs=True, zfs=True)
    assert said([restart.kernel_point([old, Kernel("6.1.0-27-amd64", initramfs=False, zfs=False)], old.release)]) == [
        f"no-go: kernel 6.1.0-27-amd64: the newest one, and {why}"
    ]
    bare = Kernel("6.1.0-27", initramfs=False)
    assert restart.kernel_point([bare], bare.release).verdict is Verdict.GO
    assert restart.kernel_point([bare], "other").verdict is Verdict.NO_GO
    assert restart.kernel_point([], "6.1.0-27").verdict is Verdict.UNKNOWN


def test_keys_and_pools() -> None:
    """A key that somebody types; a pool that was imported by hand, one in the cache, and a host that imports all."""
    assert said(restart.key_points(["volume vault"])) == [
        "no-go: encrypted volume vault: somebody must type its key at the restart; skip this check if you will be there"
    ]
    assert said(restart.pool_points(["skerry", "reef"], ["skerry"], scanned=False)) == [
        "no-go: pool reef: it was imported by hand: it is not in /etc/zfs/zpool.cache",
        "go: pool skerry: it is imported at boot",
    ]
    assert restart.unknown("services", "systemctl is not installed").verdict is Verdict.UNKNOWN
    assert next(restart.pool_points(["reef"], [], scanned=True)).verdict is Verdict.GO
