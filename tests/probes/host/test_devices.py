"""Devices that must be plugged in, from trees of files like those of udev and the kernel."""

import json
import os
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.probes.hands import SetClock, conditions
from watchkeeper.errors import PrivilegeMissing
from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.privileged.commands import Result
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.host import guest_devices
from watchkeeper.probes.host.devices import DeviceProbe, DeviceSettings, read_usb

RADIO = "usb-Station_Hide_Radio_0001-if00-port0"


def plug_serial(root: Path, name: str = RADIO, node: str = "ttyUSB0") -> Path:
    """Make the link that udev makes, as it makes it: relative, and new each time."""
    (root / "dev").mkdir(exist_ok=True)
    (root / "dev" / node).touch()
    link = root / "dev/serial/by-id" / name
    link.parent.mkdir(parents=True, exist_ok=True)
    link.unlink(missing_ok=True)
    time.sleep(0.002)  # The link's time must differ, as it does when a device is plugged in again.
    link.symlink_to(f"../../{node}")
    return link


def plug_usb(root: Path, port: str = "1-4", number: int = 7, ids: str = "1a2b:3c4d", serial: str = "0001") -> Path:
    """Make a device's folder as the kernel does, with an interface beside it."""
    vendor, product = ids.split(":")
    folder = root / "sys/bus/usb/devices" / port
    folder.mkdir(parents=True, exist_ok=True)
    (folder.parent / f"{port}:1.0").mkdir(exist_ok=True)
    texts = {"idVendor": vendor, "idProduct": product, "busnum": "1", "devnum": str(number), "product": "Hide Radio"}
    for name, text in {**texts, **({"serial": serial} if serial else {})}.items():
        (folder / name).write_text(f"{text}\n")
    return folder


def unplug(folder: Path) -> None:
    """Take a device's folder away."""
    for file in folder.iterdir():
        file.unlink()
    folder.rmdir()


class Looking:
    """One probe over several looks, with a clock that is moved by hand."""

    def __init__(self, bench: ProbeContext, root: Path, **settings: Any) -> None:
        self.clock = SetClock()
        chosen = DeviceSettings.model_validate({"name": "hide-radio", **settings})
        self.probe = DeviceProbe(chosen, replace(bench, clock=self.clock), root)

    async def __call__(self) -> tuple[Condition, Condition]:
        """Whether it is plugged in, and whether it is steady."""
        seen = conditions(await self.probe.observe())
        await self.probe.close()
        self.clock.advance(60)
        return seen["device hide-radio: plugged in"], seen["device hide-radio: steady"]


async def test_a_serial_adapter(bench: ProbeContext, tmp_path: Path) -> None:
    """By its lasting name: there, gone, and there again behind another device node."""
    link = plug_serial(tmp_path)
    look = Looking(bench, tmp_path, serial=f"/dev/serial/by-id/{RADIO}")
    plugged, steady = await look()
    assert plugged.ok
    assert steady.ok
    assert ("at", "/dev/ttyUSB0") in plugged.facts
    link.unlink()
    plugged, _ = await look()
    assert (plugged.reason, plugged.grave) == ("not present", True)
    plug_serial(tmp_path, node="ttyUSB1")
    plugged, steady = await look()
    assert plugged.ok
    assert steady.ok
    assert ("at", "/dev/ttyUSB1") in plugged.facts
    assert ("reconnected", "1 times within 1h") in plugged.facts


async def test_a_link_that_leads_nowhere(bench: ProbeContext, tmp_path: Path) -> None:
    """A link without the node behind it is no device."""
    plug_serial(tmp_path)
    (tmp_path / "dev/ttyUSB0").unlink()
    plugged, _ = await Looking(bench, tmp_path, serial=RADIO)()
    assert plugged.reason == "not present"


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ("usb-Station_Hide_Radio_0002-if00-port0", True),
        ("usb-Station_Hide_Radio_0001-if01-port0", True),
        ("usb-Station_Tide_Gauge_0001-if00", False),
    ],
)
async def test_back_under_another_name(bench: ProbeContext, tmp_path: Path, other: str, told: bool) -> None:  # noqa: FBT001  a case
    """The same product under another serial number or interface is named; another product is not."""
    plug_serial(tmp_path, other)
    plugged, _ = await Looking(bench, tmp_path, serial=RADIO)()
    assert not plugged.ok
    assert (f"{other} is present: use that name where the device is used" in plugged.reason) is told


async def test_flapping_between_two_looks(bench: ProbeContext, tmp_path: Path) -> None:
    """A device that is there at every look, and came again each time, is not steady; an hour later it is."""
    plug_serial(tmp_path)
    look = Looking(bench, tmp_path, serial=RADIO, returns_limit=3, returns_within="1h")
    assert (await look())[1].ok
    for _ in range(2):
        plug_serial(tmp_path)
        assert (await look())[1].ok
    plug_serial(tmp_path)
    plugged, steady = await look()
    assert plugged.ok
    assert steady.reason == "disconnected and reconnected 3 times within 1h"
    look.clock.advance(3600)
    assert (await look())[1].ok


async def test_a_usb_device(bench: ProbeContext, tmp_path: Path) -> None:
    """By vendor and product: its number changes each time it comes, also where it was missed in between."""
    folder = plug_usb(tmp_path)
    look = Looking(bench, tmp_path, usb="1A2B:3C4D", returns_limit=1)
    plugged, steady = await look()
    assert plugged.facts == (("named by", "1a2b:3c4d"), ("product", "Hide Radio"), ("at", "port 1-4"))
    assert steady.ok
    plug_usb(tmp_path, number=9)
    assert not (await look())[1].ok
    unplug(folder)
    plugged, _ = await look()
    assert (plugged.reason, plugged.grave) == ("not present", True)
    plug_usb(tmp_path, number=9)
    _, steady = await look()
    assert "2 times" not in steady.reason, "the same number is the same time of being plugged in"


async def test_one_of_several(bench: ProbeContext, tmp_path: Path) -> None:
    """By serial number where there are several of a kind; the other one is named where this one is missing."""
    plug_usb(tmp_path, "1-3", 3, serial="0002")
    look = Looking(bench, tmp_path, usb="1a2b:3c4d", usb_serial="0001")
    plugged, _ = await look()
    assert plugged.reason == (
        "not present under its name; the same product with serial number 0002 is plugged in at port 1-3"
    )
    plug_usb(tmp_path, "1-4", 4, serial="0001")
    plugged, _ = await look()
    assert plugged.ok
    assert ("at", "port 1-4") in plugged.facts


async def test_another_product_of_the_vendor(bench: ProbeContext, tmp_path: Path) -> None:
    """A device that shows itself with another product (in its loader, or after an update) is named."""
    plug_usb(tmp_path, ids="1a2b:0000", serial="")
    plugged, _ = await Looking(bench, tmp_path, usb="1a2b:3c4d")()
    assert plugged.reason.endswith("1a2b:0000 (Hide Radio) of the same vendor is plugged in at port 1-4")
    plugged, _ = await Looking(bench, tmp_path, usb="9999:3c4d")()
    assert plugged.reason == "not present"
    plugged, _ = await Looking(bench, tmp_path, usb="1a2b:0000", usb_serial="1")()
    assert "with serial number none" in plugged.reason


async def test_a_dev_of_its_own(bench: ProbeContext, tmp_path: Path) -> None:
    """A service whose /dev is private sees no serial adapter: that is told, and not that the device is gone."""
    where = tmp_path / "proc/self/mountinfo"
    where.parent.mkdir(parents=True)
    line = "30 1 0:{n} / /dev rw,nosuid shared:2 - {kind} {kind} rw,size=4096k\n"
    where.write_text("1 0 8:1 / / rw shared:1 - ext4 /dev/vda rw\n" + line.format(n=6, kind="devtmpfs"))
    look = Looking(bench, tmp_path, serial=RADIO)
    assert (await look())[0].reason == "not present"
    where.write_text("1 0 8:1 / / rw shared:1 - ext4 /dev/vda rw\n" + line.format(n=50, kind="tmpfs"))
    with pytest.raises(PrivilegeMissing, match="PrivateDevices=no"):
        await look()
    plug_serial(tmp_path)
    assert (await look())[0].ok


def test_a_machine_without_usb(tmp_path: Path) -> None:
    """No folder, and a device that goes while it is looked at, are no devices."""
    assert read_usb(tmp_path / "sys/bus/usb/devices") == []
    folder = plug_usb(tmp_path)
    (folder / "idProduct").unlink()
    assert read_usb(folder.parent) == []


def test_texts_of_a_hostile_device(tmp_path: Path) -> None:
    """A device says of itself what it likes: it is cut, and shown in plain signs."""
    folder = plug_usb(tmp_path)
    (folder / "product").write_bytes(b"\x1b[31mradio\n\xff" + b"x" * 10_000)
    (device,) = read_usb(folder.parent)
    assert device.product.isprintable()
    assert len(device.product) < 260
    assert os.fsencode(device.path) == b"1-4"


@pytest.mark.parametrize(
    "wrong",
    [
        {}, {"serial": RADIO, "usb": "1a2b:3c4d"}, {"serial": ""}, {"serial": "../../ttyUSB0"}, {"usb": "1a2b"},
        {"usb": 7}, {"serial": RADIO, "usb_serial": "1"}, {"usb": "1a2b:3c4d", "returns_limit": 0},
    ],
)  # fmt: skip
def test_settings_that_make_no_sense(wrong: dict[str, Any]) -> None:
    """A device is named in one way, by a name that can be one."""
    with pytest.raises(ValidationError):
        DeviceSettings.model_validate({"name": "hide-radio", **wrong})


async def held(bench: ProbeContext, root: Path, said: object, monkeypatch: pytest.MonkeyPatch) -> Sequence[Observed]:
    """One look at a device of a guest; what the helper says of who holds what."""

    async def ask_root(_: object, entry: str, *_more: object) -> list[Result]:
        assert entry == "usb-holders"
        if isinstance(said, Exception):
            raise said
        return [Result("python", Completed(0, json.dumps(said).encode()))]

    monkeypatch.setattr(guest_devices, "ask_root", ask_root)
    chosen = DeviceSettings.model_validate({"name": "hide-radio", "usb": "1a2b:3c4d", "guest": "hide-hub"})
    return await DeviceProbe(chosen, bench, root).observe()


async def test_a_device_of_a_guest(bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The guest holds it, or another one does, or the host's driver has taken it, or that cannot be known."""
    folder = plug_usb(tmp_path)
    interface = folder.parent / "1-4:1.0"
    (tmp_path / "usbfs").mkdir()
    (tmp_path / "ftdi_sio").mkdir()
    (interface / "driver").symlink_to(tmp_path / "usbfs")
    *_, fine = await held(bench, tmp_path, [{"bus": 1, "device": 7, "guest": "hide-hub"}], monkeypatch)
    assert isinstance(fine, Condition)
    assert (str(fine.key), fine.ok) == ("device hide-radio: in its guest", True)
    *_, other = await held(bench, tmp_path, [{"bus": 1, "device": 7, "guest": ""}], monkeypatch)
    assert isinstance(other, Condition)
    assert other.reason == "plugged in, but guest hide-hub has lost it; held by a guest without a name"
    (interface / "driver").unlink()
    (interface / "driver").symlink_to(tmp_path / "ftdi_sio")
    *_, taken = await held(bench, tmp_path, [{"bus": 1, "device": 8, "guest": "hide-hub"}], monkeypatch)
    assert isinstance(taken, Condition)
    assert taken.reason == "plugged in, but guest hide-hub has lost it; used by the host's driver ftdi_sio"
    for said, why in (([{}], "cannot be read"), (PrivilegeMissing("no helper"), "no helper")):
        *_, unseen = await held(bench, tmp_path, said, monkeypatch)
        assert isinstance(unseen, Unseen)
        assert why in unseen.why
    unplug(folder)
    assert len(await held(bench, tmp_path, [], monkeypatch)) == 2


def test_a_device_of_a_guest_is_named_by_usb() -> None:
    """It has no name in /dev/serial/by-id while a guest holds it."""
    with pytest.raises(ValidationError, match="guest needs usb"):
        DeviceSettings.model_validate({"name": "hide-radio", "serial": RADIO, "guest": "hide-hub"})
