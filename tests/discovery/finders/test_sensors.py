"""Temperature sensors and serial devices, from trees of files like those that the kernel and udev make."""

import pytest

from tests.discovery.conftest import document, put, usable, value_of
from tests.probes.host.test_temperatures import chip, nvme
from watchkeeper.discovery.finders import sensors
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Thing

ADAPTER = "usb-hide-radio_0001-if00-port0"


async def test_sensors_with_limits_are_watched(host: Host) -> None:
    """Each with what it shows now; for one without a limit, one is offered with something to spare."""
    nvme(host.root)
    chip(host.root, 2, "acpitz", temp1_input=40_000)
    found = await sensors.find_sensors(host)
    (proposal,) = found.proposals
    assert not proposal.offered
    assert "- nvme nvme0 Composite: 42 °C now, limit 82 °C" in proposal.about
    limits = value_of(proposal, "limits")
    assert isinstance(limits, dict)
    assert limits["acpitz temp1"] == 55.0
    usable(document(proposal))


async def test_sensors_without_any_limit_are_only_offered(host: Host) -> None:
    """The operator must first see what is normal."""
    chip(host.root, 2, "acpitz", temp1_input=40_000)
    (proposal,) = (await sensors.find_sensors(host)).proposals
    assert proposal.offered
    usable(document(proposal))


async def test_a_sensor_that_gives_no_reading(host: Host) -> None:
    """Its trouble replaces the figure. It has a limit nevertheless."""
    chip(host.root, 1, "nvme", temp1_input="nonsense", temp1_max=80_000)
    (proposal,) = (await sensors.find_sensors(host)).proposals
    assert "which is not a temperature" in proposal.about[1]
    usable(document(proposal))


async def test_no_sensors(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """None here, or they cannot be read at all."""
    assert (await sensors.find_sensors(host)).absent == ("temperature sensors",)

    def broken(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(sensors, "read_sensors", broken)
    assert [each.why for each in (await sensors.find_sensors(host)).unseen] == ["Input/output error"]


async def test_serial_devices_by_their_lasting_name(host: Host) -> None:
    """Each is watched by the name that programs use it by; what it is, its USB entry says."""
    put(host.root, f"dev/serial/by-id/{ADAPTER}")
    put(host.root, 'dev/serial/by-id/usb-odd "name" \udcff-if00')
    for file, text in {"idVendor": "1a2b", "idProduct": "3c4d", "serial": "0001", "product": "Hide radio"}.items():
        put(host.root, f"sys/bus/usb/devices/1-1/{file}", f"{text}\n")
    found = await sensors.find_devices(host)
    assert Thing("device", "1a2b:3c4d") in found.there
    text = document(found=found)
    assert "It is USB product 1a2b:3c4d, Hide radio." in text
    probes = [each for each in usable(text).probe if each.kind == "device"]
    assert [getattr(each, "serial", None) for each in probes] == [ADAPTER]
    assert "is not valid UTF-8" in text.replace("\n# ", " ")  # the other one is told, and cannot be written


async def test_no_serial_devices(host: Host, monkeypatch: pytest.MonkeyPatch) -> None:
    """None is plugged in, or the folder cannot be read."""
    found = await sensors.find_devices(host)
    assert found.absent
    assert found.looked == {"device"}

    def broken(*_: object) -> None:
        raise OSError(13, "Permission denied")

    monkeypatch.setattr(sensors, "read_usb", broken)
    assert (await sensors.find_devices(host)).unseen
