"""A serial adapter that is handed to a guest: held by it, lost by it, given back, and unplugged. And a slice's limit.

The adapter is emulated and plugged into the machine; the guest in the machine takes it through usbfs, as with a real
one.
"""

import pytest

from tests.host.machine import IS_CONTAINER
from tests.host.station import Event, Station, instant

pytestmark = pytest.mark.host

SOON_S = 240.0
SUBJECT = "device hide-radio"

PROBES = """
[[probe]]
kind = "device"
name = "hide-radio"
usb = "0403:6001"
usb_serial = "hide1"
guest = "hide-hub"
every = "10s"
timeout = "60s"

[[probe]]
kind = "containers"
every = "10s"
timeout = "60s"
"""

GUEST = (
    "systemd-run -q --unit=guest-hide-hub qemu-system-x86_64 -name guest=hide-hub -machine q35 -accel tcg -m 32"
    " -nodefaults -display none -device qemu-xhci,id=usb -qmp unix:/run/guests/hide-hub.qmp,server=on,wait=off"
    " -device usb-host,id=adapter,vendorid=0x0403,productid=0x6001"
)


def _plug(station: Station) -> None:
    adapter = {"driver": "usb-serial", "id": "adapter", "chardev": "radio", "bus": "usb.0", "serial": "hide1"}
    station.machine.qmp("device_add", {**adapter, "always-plugged": True})


def _message(station: Station, quantity: str, telling: str, after: float, subject: str = SUBJECT) -> Event:
    message = station.message(subject, "faulty", telling, after, SOON_S, quantity)
    station.note(f"{subject}: {telling} after {instant(message['at']) - after:.1f} s: {message['headline']}")
    return message


def _text(message: Event) -> str:
    return " ".join(message["body"].split())


@pytest.mark.skipif(IS_CONTAINER, reason="a container has no USB of its own")
def test_an_adapter_that_is_handed_to_a_guest(between: Station) -> None:
    """Its name in /dev/serial/by-id is gone while the guest holds it, and nothing is wrong; then the guest loses it."""
    machine = between.machine
    _plug(between)
    between.wait_until("the adapter", lambda: machine.works("ls /dev/serial/by-id/*hide1*"), 60)
    machine.run(f"mkdir -p /run/guests; {GUEST}")
    between.wait_until("the guest takes it", lambda: not machine.works("ls /dev/serial/by-id/*hide1*"), 120)
    with between.monitoring(PROBES):
        between.wait_until("the probe", lambda: (SUBJECT, "in its guest") in between.series(), SOON_S)
        machine.run("sleep 20")
        assert between.events(SUBJECT) == []
        lost = machine.now()
        machine.run("systemctl stop guest-hide-hub")
        message = _message(between, "in its guest", "raised", lost)
        assert "plugged in, but guest hide-hub has lost it" in _text(message)
        again = machine.now()
        machine.run(GUEST)
        _message(between, "in its guest", "ended", again)
        gone = machine.now()
        machine.qmp("device_del", {"id": "adapter"})
        assert "not present" in _text(_message(between, "plugged in", "raised", gone))
        back = machine.now()
        _plug(between)
        _message(between, "plugged in", "ended", back)
    machine.run("systemctl stop guest-hide-hub")
    machine.qmp("device_del", {"id": "adapter"})


def test_a_slice_that_reaches_its_limit(between: Station) -> None:
    """A program in a slice with a limit is killed there: reported, with the slice's name."""
    machine = between.machine
    with between.monitoring(PROBES):
        machine.run("systemctl set-property --runtime guests.slice MemoryMax=24M MemorySwapMax=0")
        machine.run("systemd-run -q --slice=guests.slice --unit=holder sleep 600")
        between.wait_until("the slice", lambda: ("slice guests", "memory") in between.series(), SOON_S)
        began = machine.now()
        machine.run("systemd-run -q --wait --slice=guests.slice --unit=hungry tail /dev/zero || true")
        message = _message(between, "memory kills", "raised", began, "slice guests")
        assert "killed in it for its memory limit of 24 MiB" in _text(message)
        machine.run("systemctl stop holder; systemctl reset-failed")
