"""A device that must be plugged in: whether it is there, is there under another name, or comes and goes.

Serial adapters are identified by their persistent name in /dev/serial/by-id, others by vendor and product in
/sys/bus/usb. One check takes a moment and the next follows a minute later, so events in between are detected from what
changes each time the device is plugged in: the number that USB gives it, and the age of the link that udev makes.
"""

import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from watchkeeper.config.types import Duration
from watchkeeper.errors import PrivilegeMissing, ProbeError
from watchkeeper.model.observation import Condition, Facts, Observed, SeriesKey, Unseen
from watchkeeper.model.units import format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.filesystems import mounts
from watchkeeper.probes.host.guest_devices import holder
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.tools import RootsideSettings

SERIAL = Path("dev/serial/by-id")
USB = Path("sys/bus/usb/devices")
DEVICES_LIMIT = 1024
FILE_LIMIT_BYTES = 256
USBFS = "usbfs"

_USB_ID = re.compile(r"[0-9a-f]{4}:[0-9a-f]{4}")
_INTERFACE = re.compile(r"-if\d+(-port\d+)?$")


def _serial_name(value: str) -> str:
    name = value.removeprefix(f"/{SERIAL}/")
    if not name or "/" in name or "\0" in name:
        raise ValueError(f"{clip(value)!r} is not a name in /{SERIAL}; `ls /{SERIAL}` lists the names")
    return name


def _usb_id(value: object) -> object:
    text = value.lower() if isinstance(value, str) else value
    if not isinstance(text, str) or not _USB_ID.fullmatch(text):
        raise ValueError(f'{value!r} is not a vendor and product; write four hex digits each, such as "1a2b:3c4d"')
    return text


class DeviceSettings(RootsideSettings):
    """A device that must be plugged in, such as a USB radio or a serial adapter."""

    kind: Literal["device"] = "device"
    name: str = Field(min_length=1, max_length=100, description="name of the device, such as hide-radio")
    every: Duration = Field(60.0, description="time between runs")
    timeout: Duration = Field(5.0, description="time after which a run is abandoned")
    serial: Annotated[str, AfterValidator(_serial_name)] | None = Field(
        None, description="its persistent name in /dev/serial/by-id"
    )
    usb: Annotated[str, BeforeValidator(_usb_id)] | None = Field(
        None, description='its vendor and product ID, such as "1a2b:3c4d"'
    )
    usb_serial: str | None = Field(None, description="its serial number, if there are several of this product")
    guest: str | None = Field(
        None, min_length=1, max_length=100, description="the guest that it is handed to; it then must hold the device"
    )
    returns_limit: int = Field(
        3, ge=1, le=100, description="how many times it may reconnect within `returns_within` before it is faulty"
    )
    returns_within: Duration = Field(3600.0, description="the time over which reconnections are counted")

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if (self.serial is None) == (self.usb is None):
            raise ValueError("name the device with either serial or usb")
        if self.usb_serial is not None and self.usb is None:
            raise ValueError("usb_serial needs usb")
        if self.guest is not None and self.usb is None:
            raise ValueError("guest needs usb: a device that is handed over has no name in /dev/serial/by-id")
        return self


@dataclass(frozen=True, slots=True)
class UsbDevice:
    """One USB device. id: vendor and product. number: new each time it is plugged in. path: its name in sysfs."""

    id: str
    serial: str
    number: str
    product: str
    path: str


@dataclass(frozen=True, slots=True)
class DeviceSeen:
    """The result of one check. present: differs each time the device is plugged in; empty if it is not there.

    instead: what is there in its place. where: its device node, or its port. drivers: those of the host that use it;
    usbfs, through which a device is handed to a guest, is none of them.
    """

    present: str = ""
    where: str = ""
    product: str = ""
    instead: str = ""
    drivers: tuple[str, ...] = ()


class DeviceProbe(BaseProbe):
    """Monitors one device."""

    def __init__(self, settings: DeviceSettings, bench: ProbeContext, root: Path = Path("/")) -> None:
        self._settings, self._context, self._root = settings, bench, root
        self._clock, self._workers = bench.clock, bench.workers
        self._last: DeviceSeen | None = None
        self._came_s: deque[float] = deque(maxlen=1000)

    async def observe(self) -> Sequence[Observed]:
        """Check once."""
        settings = self._settings
        look = partial(_look, self._root, settings)
        sight = await self._workers.call(f"device {settings.name}", look, settings.timeout)
        came = self._count(sight)
        facts: Facts = (("named by", settings.serial or f"{settings.usb} {settings.usb_serial or ''}".strip()),)
        facts += tuple((word, text) for word, text in (("product", sight.product), ("at", sight.where)) if text)
        facts += (("reconnected", f"{came} times within {format_duration(settings.returns_within)}"),) if came else ()
        plugged, steady = self._why_gone(sight), self._why_flapping(came)
        subject = f"device {settings.name}"
        seen: list[Observed] = [
            Condition(SeriesKey(subject, "plugged in"), not plugged, plugged, grave=bool(plugged), facts=facts),
            Condition(SeriesKey(subject, "steady"), not steady, steady, facts=facts),
        ]
        return [*seen, await self._held(settings.guest, sight)] if settings.guest and sight.present else seen

    async def _held(self, guest: str, sight: DeviceSeen) -> Observed:
        """Whether the guest that it is handed to holds it."""
        key, settings = SeriesKey(f"device {self._settings.name}", "in its guest"), self._settings
        try:
            held = [
                await holder(self._context, settings.helper, one, settings.timeout) for one in sight.present.split()
            ]
        except ProbeError as error:
            return Unseen(str(key), str(error))
        others = [clip(each) or "a guest without a name" for each in held if each is not None]
        reason = f"plugged in, but guest {guest} has lost it" if guest not in held else ""
        reason += f"; held by {', '.join(others)}" if reason and others else ""
        reason += f"; used by the host's driver {', '.join(sight.drivers)}" if reason and sight.drivers else ""
        return Condition(key, not reason, reason)

    def _count(self, sight: DeviceSeen) -> int:
        """How many times it has come back within `returns_within`; the first time it is seen does not count."""
        now_s = self._clock.monotonic_s()
        if sight.present and self._last is not None and sight.present != self._last.present:
            self._came_s.append(now_s)
        if sight.present or self._last is None:
            self._last = sight
        while self._came_s and now_s - self._came_s[0] >= self._settings.returns_within:
            self._came_s.popleft()
        return len(self._came_s)

    def _why_gone(self, sight: DeviceSeen) -> str:
        if sight.present:
            return ""
        return f"not present under its name; {sight.instead}" if sight.instead else "not present"

    def _why_flapping(self, came: int) -> str:
        if came < self._settings.returns_limit:
            return ""
        within = format_duration(self._settings.returns_within)
        return f"disconnected and reconnected {came} times within {within}"


def _look(root: Path, settings: DeviceSettings) -> DeviceSeen:
    if settings.serial is not None:
        return _look_for_serial(root, settings.serial)
    seen = _look_for_usb(read_usb(root / USB), str(settings.usb), settings.usb_serial)
    return replace(seen, drivers=_drivers(root / USB, seen.where.removeprefix("port "))) if seen.present else seen


def _drivers(folder: Path, port: str) -> tuple[str, ...]:
    """The host's drivers of a device's interfaces."""
    names = {link.resolve().name for link in sorted(folder.glob(f"{port}:*/driver"))[:DEVICES_LIMIT]}
    return tuple(clip(each) for each in sorted(names - {USBFS}))


def _look_for_serial(root: Path, name: str) -> DeviceSeen:
    link = root / SERIAL / name
    try:
        made_ns = link.lstat().st_ctime_ns  # udev creates a new link each time the device appears.
        if link.exists():
            target = link.resolve().name
            return DeviceSeen(f"{target} {made_ns}", printable(f"/dev/{target}"))
    except OSError:
        pass
    if not (root / SERIAL).is_dir():
        _check_sight(root)
    return DeviceSeen(instead=_other_name(root, name))


def _check_sight(root: Path) -> None:
    """Raise PrivilegeMissing if this process has a private /dev, which is no devtmpfs and shows no serial adapters."""
    try:
        with (root / "proc/self/mountinfo").open("rb") as file:
            found = mounts.parse(file.read().decode("utf-8", "surrogateescape"))
    except OSError:
        return
    if any(mount.point == "/dev" and mount.type == "tmpfs" for mount in found):
        raise PrivilegeMissing(
            "this process has a private /dev without serial adapters; set PrivateDevices=no in its unit, "
            "or name the device by usb"
        )


def _other_name(root: Path, name: str) -> str:
    """The same product with another serial number or interface: most likely the same device, or its replacement."""
    try:
        others = sorted(path.name for path in (root / SERIAL).iterdir())[:DEVICES_LIMIT]
    except OSError:
        return ""
    alike = [other for other in others if other != name and _product_of(other) == _product_of(name)]
    return f"{clip(alike[0])} is present: use that name where the device is used" if alike else ""


def _product_of(name: str) -> str:
    """A persistent name without its interface and its serial number: `usb-Maker_Product_SERIAL-if00-port0`."""
    return _INTERFACE.sub("", name).rpartition("_")[0]


def _look_for_usb(found: Sequence[UsbDevice], wanted: str, serial: str | None) -> DeviceSeen:
    same = [device for device in found if device.id == wanted]
    exact = [device for device in same if serial is None or device.serial == serial]
    if exact:
        device = exact[0]
        present = " ".join(sorted(each.number for each in exact))
        return DeviceSeen(present, f"port {device.path}", device.product)
    if same:
        other = same[0].serial or "none"
        return DeviceSeen(instead=f"the same product with serial number {other} is plugged in at port {same[0].path}")
    vendor = wanted.partition(":")[0]
    kin = [device for device in found if device.id.startswith(f"{vendor}:")]
    if kin and kin[0].product:
        return DeviceSeen(
            instead=f"{kin[0].id} ({kin[0].product}) of the same vendor is plugged in at port {kin[0].path}"
        )
    return DeviceSeen()


def read_usb(folder: Path) -> list[UsbDevice]:
    """The USB devices that the kernel knows, ordered by port; empty if there is no USB at all."""
    found = []
    for device in sorted(folder.glob("*"))[:DEVICES_LIMIT]:
        vendor, product = _text(device / "idVendor"), _text(device / "idProduct")
        if vendor and product:  # Interfaces are in the same folder and have neither.
            number = f"{_text(device / 'busnum')}-{_text(device / 'devnum')}"
            described = clip(_text(device / "product"))
            found.append(
                UsbDevice(f"{vendor}:{product}", clip(_text(device / "serial")), number, described, device.name)
            )
    return found


def _text(path: Path) -> str:
    """A short file's text; empty if it cannot be read: the device may be unplugged during the check."""
    try:
        with path.open("rb") as file:
            return file.read(FILE_LIMIT_BYTES).decode("utf-8", "replace").strip()
    except OSError:
        return ""
