"""Disks, USB devices and network adapters, as sysfs lists them, with names that survive a restart.

A disk's name (sda) may belong to another disk after a restart, so a device is known by its model, serial number and
size; its name of now is only shown. sysfs(5); Documentation/ABI of the kernel for the files. Pure but for reading.
"""

import os
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from watchkeeper.model.units import format_size
from watchkeeper.probes.support.sanitize import clip

MADE = ("loop", "ram", "zram", "dm-", "md", "zd", "nbd", "sr", "fd", "bcache", "drbd", "rbd")
"""Block devices that are made by software, or whose medium comes and goes."""

MOST = 500
SECTOR = 512
"""The unit of /sys/block/*/size, whatever the disk's own sectors are."""


def devices(root: Path) -> dict[str, str]:
    """What is plugged in: a description that stays the same -> where it is now."""
    found, counted = dict[str, str](), Counter[str]()
    for what, where in (*_disks(root), *_usb(root), *_adapters(root)):
        counted[what] += 1
        name = what if counted[what] == 1 else f"{what} ({counted[what]})"
        if len(found) < MOST:
            found[name] = where
    return found


def listed(root: Path) -> tuple[object, ...]:
    """The names of all devices: while they stay the same, nothing was plugged in or out."""
    return tuple(_names(root / folder) for folder in ("sys/block", "sys/bus/usb/devices", "sys/class/net"))


def _disks(root: Path) -> Iterator[tuple[str, str]]:
    for name in _names(root / "sys/block"):
        folder = root / "sys/block" / name
        if name.startswith(MADE):
            continue
        model = _text(folder / "device/model") or "disk"
        serial = _text(folder / "device/serial") or _text(folder / "wwid") or _text(folder / "device/wwid")
        size = _text(folder / "size")
        if size.isdecimal() and int(size):
            yield _named("disk", model, serial, format_size(int(size) * SECTOR)), name


def _usb(root: Path) -> Iterator[tuple[str, str]]:
    for name in _names(root / "sys/bus/usb/devices"):
        folder = root / "sys/bus/usb/devices" / name
        if name.startswith("usb") or ":" in name or _text(folder / "bDeviceClass") == "09":
            continue  # controllers, interfaces, hubs
        number = f"{_text(folder / 'idVendor')}:{_text(folder / 'idProduct')}"
        if len(number) > 1:
            product = _text(folder / "product") or number
            yield _named("USB device", product, _text(folder / "serial"), ""), f"port {name}"


def _adapters(root: Path) -> Iterator[tuple[str, str]]:
    for name in _names(root / "sys/class/net"):
        folder = root / "sys/class/net" / name
        if (folder / "device").exists():
            yield _named("network adapter", name, _text(folder / "address"), ""), name


def _named(sort: str, model: str, serial: str, size: str) -> str:
    said = ", ".join(each for each in (serial and f"serial {serial}", size) if each)
    return clip(f"{sort} {model} ({said})" if said else f"{sort} {model}", 160)


def _names(folder: Path) -> list[str]:
    try:
        return sorted(os.listdir(folder))[:MOST]  # noqa: PTH208  names are all that is wanted
    except OSError:
        return []


def _text(file: Path) -> str:
    with suppress(OSError), file.open("rb") as opened:
        return " ".join(clip(opened.read(200).decode("utf-8", "replace").strip(" \n\0"), 80).split())
    return ""
