"""Finds temperature sensors with limits, and serial devices by their persistent name."""

from functools import partial

from watchkeeper.discovery.host import Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, Thing
from watchkeeper.discovery.toml import literal
from watchkeeper.errors import ProbeError
from watchkeeper.probes.host.devices import SERIAL, USB, UsbDevice, read_usb
from watchkeeper.probes.host.temperatures import Sensor, TemperaturesSettings, read_sensors
from watchkeeper.probes.support.sanitize import clip, printable

SPARE_C = 15.0
"""Offered above what a sensor without a limit shows now: a machine under load gets warmer than during discovery."""

NAMED = 20
ROUND_C = 5.0


async def find_sensors(host: Host) -> Found:
    """Temperatures: sensors that report a limit are monitored; for the others a limit is offered."""
    try:
        work = partial(read_sensors, host.root / "sys/class/hwmon", TemperaturesSettings().exclude)
        sensors = await host.bench.workers.call("temperature sensors", work, host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("temperature sensors", error)
    limited = [each for each in sensors if _limit(each) is not None]
    bare = [each for each in sensors if _limit(each) is None and each.now_c is not None]
    if not sensors:
        return Found(absent=("temperature sensors",))
    about = ["Temperatures, against the sensors' own limits."]
    about += [f"- {printable(each.name)}: {_now(each)}, limit {_limit(each):.0f} °C" for each in limited[:NAMED]]
    about += [f"- {printable(each.name)}: {_now(each)}, no limit" for each in bare[:NAMED]]
    limits = {literal(each.name): _offer(each.now_c) for each in bare[:NAMED] if each.now_c is not None}
    why = f"A guess: about {SPARE_C:.0f} °C above now. Check what is normal under load."
    keys = (Key("limits", limits, why, offered=True),) if limits else ()
    return Found((Proposal("temperatures", keys, tuple(about), offered=not limited),))


def _limit(sensor: Sensor) -> float | None:
    return sensor.high_c if sensor.high_c is not None else sensor.critical_c


def _now(sensor: Sensor) -> str:
    return f"{sensor.now_c:.0f} °C now" if sensor.now_c is not None else clip(sensor.trouble)


def _offer(now_c: float) -> float:
    return round((now_c + SPARE_C) / ROUND_C) * ROUND_C


async def find_devices(host: Host) -> Found:
    """Serial adapters and radios by their persistent name: programs open them by it, so the name must exist."""
    try:
        names = await host.bench.workers.call("serial devices", partial(_serial, host), host.timeout_s)
        usb = await host.bench.workers.call("USB devices", partial(read_usb, host.root / USB), host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("serial devices", error)
    looked = frozenset({"device"})
    there = frozenset({*(Thing("device", name) for name in names), *(Thing("device", each.id) for each in usb)})
    if not names:
        return Found(absent=("serial adapters with a persistent name (/dev/serial/by-id)",), there=there, looked=looked)
    return Found(tuple(_device(name, usb) for name in names), there=there, looked=looked)


def _serial(host: Host) -> list[str]:
    folder = host.root / SERIAL
    return sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []


def _device(name: str, usb: list[UsbDevice]) -> Proposal:
    product = next((each for each in usb if each.serial and each.serial in name), None)
    known = f" It is USB product {product.id}, {printable(product.product)}." if product else ""
    about = (f"A device that is plugged in now. Give it a name that says what it is for.{known}",)
    keys = (Key("name", clip(name.removeprefix("usb-"), 60)), Key("serial", name))
    return Proposal("device", keys, about, things=(Thing("device", name),))
