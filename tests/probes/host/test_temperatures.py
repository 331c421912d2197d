"""Temperatures, from trees of files like those that the kernel's drivers make."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.probes.hands import conditions
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.model.observation import Condition
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.hardware import hwmon
from watchkeeper.probes.host import temperatures
from watchkeeper.probes.host.temperatures import TemperaturesProbe, TemperaturesSettings, read_sensors


def chip(root: Path, number: int, name: str | None, device: str = "", **files: object) -> Path:
    """A chip's folder: hwmonN with its files; device: what its `device` link leads to."""
    folder = root / f"sys/class/hwmon/hwmon{number}"
    folder.mkdir(parents=True)
    if name is not None:
        (folder / "name").write_text(f"{name}\n")
    if device:
        target = root / "sys/devices" / device
        target.mkdir(parents=True, exist_ok=True)
        (folder / "device").symlink_to(target)
    for file, value in files.items():
        (folder / file).write_text(f"{value}\n")
    return folder


def nvme(root: Path, number: int = 1, degrees: int = 41_850, **files: object) -> Path:
    """An NVMe drive: critical 84.85, and a second sensor without limits, which says 65261.85."""
    return chip(
        root, number, "nvme", "pci0000:00/nvme/nvme0", temp1_input=degrees, temp1_max=81_850, temp1_min=-273_150,
        temp1_crit=84_850, temp1_label="Composite", temp1_alarm=0, temp2_input=41_850, temp2_max=65_261_850,
        temp2_min=-273_150, temp2_label="Sensor 1", **files,
    )  # fmt: skip


class Looking:
    """One probe over several looks."""

    def __init__(self, bench: ProbeContext, root: Path, **settings: Any) -> None:
        self.probe = TemperaturesProbe(TemperaturesSettings.model_validate(settings), bench, root)

    async def __call__(self) -> dict[str, Condition]:
        seen = conditions(await self.probe.observe())
        await self.probe.close()
        return seen


COMPOSITE = "sensor nvme nvme0 Composite: temperature"


async def test_the_sensors_own_limits(bench: ProbeContext, tmp_path: Path) -> None:
    """Below its limit OK, at it faulty, grave at what it calls critical; a sensor without limits is not judged."""
    folder = nvme(tmp_path)
    look = Looking(bench, tmp_path)
    seen = await look()
    assert list(seen) == [COMPOSITE]
    assert seen[COMPOSITE].ok
    assert seen[COMPOSITE].facts == (("now", "42 °C"), ("limit", "82 °C"), ("critical", "85 °C"))
    (folder / "temp1_input").write_text("81850\n")
    seen = await look()
    assert (seen[COMPOSITE].reason, seen[COMPOSITE].grave) == ("82 °C, limit 82 °C", False)
    (folder / "temp1_input").write_text("90000\n")
    seen = await look()
    assert (seen[COMPOSITE].reason, seen[COMPOSITE].grave) == ("90 °C, critical limit 85 °C", True)


async def test_hysteresis(bench: ProbeContext, tmp_path: Path) -> None:
    """Once hot, a sensor stays so until it is as cool as it says itself."""
    folder = chip(tmp_path, 0, "it8686", temp3_input=79_000, temp3_max=80_000, temp3_max_hyst=75_000)
    look, key = Looking(bench, tmp_path), "sensor it8686 temp3: temperature"
    states = []
    for degrees in (79_000, 80_000, 76_000, 75_000, 74_999, 79_000):
        (folder / "temp3_input").write_text(f"{degrees}\n")
        states.append((await look())[key].ok)
    assert states == [True, False, False, False, True, True]


async def test_hysteresis_that_makes_no_sense(bench: ProbeContext, tmp_path: Path) -> None:
    """A way back at or above the limit is none."""
    folder = chip(tmp_path, 0, "it8686", temp1_input=81_000, temp1_max=80_000, temp1_max_hyst=80_000)
    look, key = Looking(bench, tmp_path), "sensor it8686 temp1: temperature"
    assert not (await look())[key].ok
    (folder / "temp1_input").write_text("79999\n")
    assert (await look())[key].ok


async def test_limits_of_the_keepers_own(bench: ProbeContext, tmp_path: Path) -> None:
    """A limit by name or glob goes before the sensor's own, and gives one to a sensor that has none."""
    nvme(tmp_path)
    seen = await Looking(bench, tmp_path, limits={"nvme * Comp*": 40, "nvme nvme0 Sensor 1": 60})()
    assert seen[COMPOSITE].reason == "42 °C, limit 40 °C"
    assert seen["sensor nvme nvme0 Sensor 1: temperature"].ok


async def test_names_outlast_the_numbers(bench: ProbeContext, tmp_path: Path) -> None:
    """The kernel numbers chips again at each start; the sensor's name stays what it was."""
    nvme(tmp_path / "a", 1)
    nvme(tmp_path / "b", 7)
    for root in ("a", "b"):
        assert list(await Looking(bench, tmp_path / root)()) == [COMPOSITE]


async def test_sensors_of_one_name(bench: ProbeContext, tmp_path: Path) -> None:
    """Two that cannot be told apart by name are numbered; a chip without a name is called as its folder is."""
    for number in (2, 10):
        chip(tmp_path, number, "acpitz", temp1_input=40_000, temp1_crit=100_000)
    chip(tmp_path, 3, None, temp1_input=40_000, temp1_crit=100_000)
    assert list(await Looking(bench, tmp_path)()) == [
        "sensor acpitz temp1: temperature", "sensor acpitz temp1 2: temperature", "sensor hwmon3 temp1: temperature",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("files", "reason"),
    [
        ({"temp1_fault": 1}, "the chip reports that this sensor is broken or not connected"),
        ({"temp1_input": "hot\x1b[31m"}, 'the sensor reports "hot\\x1b[31m", which is not a temperature'),
        ({"temp1_input": "9" * 5000}, 'the sensor reports "999'),
    ],
)
async def test_a_sensor_that_gives_nothing(
    bench: ProbeContext, tmp_path: Path, files: dict[str, Any], reason: str
) -> None:
    """A broken sensor and one that says rubbish are faulty, in a line of bounded length."""
    chip(tmp_path, 0, "it8686", **{"temp1_input": 1, "temp1_max": 80_000, **files})
    seen = (await Looking(bench, tmp_path)())["sensor it8686 temp1: temperature"]
    assert seen.reason.startswith(reason)
    assert len(seen.reason) < 200


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (11, "the sensor gives no reading now"),
        (61, "the sensor gives no reading now"),
        (5, "the sensor cannot be read: Input/output error"),
    ],
)
async def test_a_sensor_that_cannot_be_read(
    bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, reason: str
) -> None:
    """EAGAIN, ENODATA and EIO from a driver (stood in for: an ordinary file never says them)."""
    nvme(tmp_path)
    read = hwmon.read_file

    def refuse(path: Path) -> str:
        if path.name == "temp1_input":
            raise OSError(number, os.strerror(number))
        return read(path)

    monkeypatch.setattr(hwmon, "read_file", refuse)
    assert (await Looking(bench, tmp_path)())[COMPOSITE].reason == reason


async def test_a_sensor_that_goes(bench: ProbeContext, tmp_path: Path) -> None:
    """A sensor that was there and is gone is told; one whose limit is gone is still told."""
    folder = nvme(tmp_path)
    other = chip(tmp_path, 5, "acpitz", temp1_input=40_000, temp1_crit=100_000)
    look = Looking(bench, tmp_path)
    await look()
    for file in other.iterdir():
        file.unlink()
    other.rmdir()
    (folder / "temp1_max").unlink()
    (folder / "temp1_crit").unlink()
    seen = await look()
    assert seen["sensor acpitz temp1: temperature"].reason == "the sensor is missing"
    assert seen[COMPOSITE].ok


async def test_disks_that_sleep_are_not_woken(
    bench: ProbeContext, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sensor that is left out is not even read."""
    chip(tmp_path, 0, "drivetemp", "target0:0:0/0:0:0:0", temp1_input=30_000, temp1_max=60_000)
    nvme(tmp_path)
    opened: list[Path] = []
    read = hwmon.read_file

    def note(path: Path) -> str:
        opened.append(path)
        return read(path)

    monkeypatch.setattr(hwmon, "read_file", note)
    assert list(await Looking(bench, tmp_path)()) == [COMPOSITE]
    assert tmp_path / "sys/class/hwmon/hwmon0/temp1_input" not in opened
    assert len(await Looking(bench, tmp_path, exclude=[])()) == 2


async def test_a_machine_without_sensors(bench: ProbeContext, tmp_path: Path) -> None:
    """A virtual machine has none (its /sys/class/hwmon is empty): that is said, and what to do."""
    with pytest.raises(ToolMissing, match="shows no temperature sensor"):
        await Looking(bench, tmp_path)()
    (tmp_path / "sys/class/hwmon").mkdir(parents=True)
    with pytest.raises(ToolMissing):
        await Looking(bench, tmp_path)()


def test_too_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A tree with far too many sensors is refused."""
    nvme(tmp_path)
    monkeypatch.setattr(temperatures, "SENSORS_LIMIT", 1)
    with pytest.raises(ProbeError, match="more than 1 temperature sensors"):
        read_sensors(tmp_path / "sys/class/hwmon", ())


def test_limits_that_no_machine_runs_by(tmp_path: Path) -> None:
    """Values that chips give in place of no limit are none: 0, 127.9 is one, -273.15 and 65261.85 are not."""
    values: Sequence[tuple[int, float | None]] = ((0, None), (-273_150, None), (65_261_850, None), (100_000, 100.0))
    for number, (limit, _) in enumerate(values):
        chip(tmp_path, number, f"chip{number}", temp1_input=1, temp1_max=limit)
    assert [sensor.high_c for sensor in read_sensors(tmp_path / "sys/class/hwmon", ())] == [c for _, c in values]
