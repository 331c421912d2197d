"""What breaks in the machine is reported with its reason, and so is its end: mirrors, a disk, a unit, a guest."""

import pytest

from tests.host.station import Event, Station, instant

pytestmark = pytest.mark.host

SOON_S = 240.0
"""Each probe runs at least every minute; the rest is for an emulated machine."""


def _message(station: Station, subject: str, telling: str, after: float, quantity: str = "") -> Event:
    message = station.message(subject, "faulty", telling, after, SOON_S, quantity)
    station.note(f"{subject}: {telling} after {instant(message['at']) - after:.1f} s: {message['headline']}")
    return message


def _text(message: Event) -> str:
    """The body on one line."""
    return " ".join(message["body"].split())


def test_a_degraded_mirror_of_a_zfs_pool(station: Station) -> None:
    """A pool that has lost a disk is reported with the disk's name and state; the alert ends when the disk is back."""
    began = station.machine.now()
    station.machine.run("zpool offline skerry virtio-rigdata1")
    message = _message(station, "pool skerry", "raised", began, "health")
    assert message["priority"] == "warning"
    assert "virtio-rigdata1 is OFFLINE" in _text(message)
    back = station.machine.now()
    station.machine.run("zpool online skerry virtio-rigdata1")
    _message(station, "pool skerry", "ended", back, "health")


def test_a_degraded_mirror_of_software_raid(station: Station) -> None:
    """An array with a failed disk is reported with the disk; the alert ends when the array has been rebuilt."""
    disk = station.machine.run("basename $(readlink -f /dev/disk/by-id/virtio-rigdata5)").strip()
    began = station.machine.now()
    station.machine.run(f"mdadm -q --fail /dev/md0 /dev/{disk}")
    message = _message(station, "array md0", "raised", began)
    assert "1 of 2 disks is missing" in _text(message)
    assert disk in _text(message)
    back = station.machine.now()
    station.machine.run(f"mdadm -q --remove /dev/md0 /dev/{disk} && mdadm -q --add /dev/md0 /dev/{disk}")
    _message(station, "array md0", "ended", back)


def test_a_unit_that_fails(station: Station) -> None:
    """A service whose process dies is reported with the reason; the alert ends when it runs again."""
    began = station.machine.now()
    station.machine.run("systemctl kill --signal=SEGV tide-log")
    message = _message(station, "unit tide-log.service", "raised", began)
    assert "failed: its process" in _text(message)
    back = station.machine.now()
    station.machine.run("systemctl reset-failed tide-log; systemctl start tide-log")
    _message(station, "unit tide-log.service", "ended", back)


def test_a_guest_is_paused_because_its_store_is_full(station: Station) -> None:
    """A guest writes until the file system of its disk is full: QEMU pauses it, and the message says why."""
    machine = station.machine
    machine.run("fallocate -l $(($(stat -f -c '%a * %S' /srv/guests) - 3 * 1024 * 1024)) /srv/guests/ballast")
    machine.run("python3 /usr/local/lib/station/guest.py disk /srv/guests/nest-cams.img")
    began = machine.now()
    machine.run("bash /usr/local/lib/station/guest.sh nest-cams /srv/guests/nest-cams.img")
    message = station.message("guest nest-cams", "faulty", "raised", began, 400)
    station.note(f"guest nest-cams: {message['headline']}")
    assert message["priority"] == "alarm"
    assert "paused on an I/O error" in _text(message)
    assert "got 'no space' from the storage below it" in _text(message)
    state = machine.run("python3 /usr/local/lib/station/guest.py ask /run/guests/nest-cams.qmp query-status")
    assert "io-error" in state
    back = machine.now()
    machine.run("rm /srv/guests/ballast && python3 /usr/local/lib/station/guest.py ask /run/guests/nest-cams.qmp cont")
    _message(station, "guest nest-cams", "ended", back)


RELIABILITY = 4
"""The bit of the critical warning for this: NVM Express base specification, SMART / Health Information."""


def test_a_disk_that_reports_its_failure(station: Station) -> None:
    """An NVMe disk's verdict turns to failed and back: it is an alarm with the reason."""
    began = station.machine.now()
    _critical_warning(station, RELIABILITY)
    try:
        assert "FAILED" in station.machine.run("smartctl --health /dev/nvme0 || true")
        message = _message(station, "disk QEMU NVMe Ctrl rigssd", "raised", began, "health")
        assert message["priority"] == "alarm"
        assert "the disk reports that it is failing" in _text(message)
        assert "it is no longer reliable" in _text(message)
    finally:
        back = station.machine.now()
        _critical_warning(station, 0)
    assert "PASSED" in station.machine.run("smartctl --health /dev/nvme0")
    _message(station, "disk QEMU NVMe Ctrl rigssd", "ended", back, "health")


def _critical_warning(station: Station, bits: int) -> None:
    arguments = {"path": "/machine/peripheral/ssd", "property": "smart_critical_warning", "value": bits}
    station.machine.qmp("qom-set", arguments)
