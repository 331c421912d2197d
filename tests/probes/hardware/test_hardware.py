"""Errors that the kernel counts, fans and voltages: trees of files in the forms that its documentation gives.

A virtual machine has no memory controller, no root port with AER and no fan. The forms are those of Documentation/ABI/
testing/sysfs-devices-edac, sysfs-bus-pci-devices-aer_stats (whose example is used), Documentation/hwmon/
sysfs-interface.rst, and of /proc/interrupts on a PC.
"""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probes.hands import SetClock
from tests.probes.toolbox import find, keys
from watchkeeper.errors import ToolMissing
from watchkeeper.model.observation import Condition, Observation
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.hardware import error_counts
from watchkeeper.probes.hardware.fans import read_fans
from watchkeeper.probes.hardware.hardware import HardwareProbe, HardwareSettings

EDAC = "sys/devices/system/edac/mc/mc0"
PORT = "sys/bus/pci/devices/0000:01:00.0"
CPU = "sys/devices/system/cpu"
CHIP = "sys/class/hwmon/hwmon2"
FAN, VCORE = "fan nct6775 fan1", "voltage nct6775 Vcore"


class Machine:
    """A host that is looked at again and again. Names are with dashes in place of what is no file name."""

    def __init__(self, root: Path, bench: ProbeContext, clock: SetClock) -> None:
        self.root, self.bench, self.clock = root, bench, clock
        self.restart()

    def restart(self, **settings: object) -> None:
        """Start the daemon again."""
        self.probe = HardwareProbe(HardwareSettings.model_validate(settings), self.bench, self.root)

    def put(self, folder: str, **files: object) -> None:
        """Write files."""
        for name, text in files.items():
            path = self.root / folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"{text}\n")

    async def look(self, minutes: float = 5) -> list[Observation]:
        """The next look."""
        self.clock.advance(60 * minutes)
        return list(await self.probe.observe())

    async def why(self, quantity: str, subject: str = "host", minutes: float = 5) -> str:
        """The reason of one condition at the next look."""
        return find(await self.look(minutes), subject, quantity, Condition).reason


@pytest.fixture
def machine(tmp_path: Path, still: ProbeContext, clock: SetClock) -> Machine:
    """A host of which the kernel shows nothing yet."""
    return Machine(tmp_path, still, clock)


async def test_errors_of_memory_modules(machine: Machine) -> None:
    """Old corrected errors are no fault, nor is one; three within a day are. One that was not corrected is grave."""
    machine.put(EDAC, ce_count=40, ue_count=0)
    machine.put(f"{EDAC}/dimm3", dimm_label="DIMM_B1", dimm_ce_count=42, dimm_ue_count=0)
    machine.put(f"{EDAC}/dimm4", dimm_label="DIMM_B2", dimm_ce_count=0, dimm_ue_count=0)
    assert await machine.why("memory errors") == ""
    machine.put(EDAC, ce_count=42)
    assert await machine.why("memory errors") == ""
    machine.put(EDAC, ce_count=43)
    assert await machine.why("memory errors") == "3 corrected errors within a day, in DIMM_B1"
    assert await machine.why("memory errors", minutes=25 * 60) == ""
    machine.put(EDAC, ue_count=1)
    found = find(await machine.look(), "host", "memory errors", Condition)
    assert found.grave
    assert found.reason == "1 error since the boot that could not be corrected, in DIMM_B1"
    machine.put(EDAC, ce_count=0, ue_count=0)
    assert await machine.why("memory errors") == "", "the host was started again"


FATAL = "Undefined 0\nDLP 0\nMalfTLP {0}\nTOTAL_ERR_FATAL {0}\n"
CORRECTABLE = "Receiver Error {0}\nBad TLP 0\nTimeout 0\nTOTAL_ERR_COR {0}"


async def test_errors_on_pci_express(machine: Machine) -> None:
    """The kernel's own example of the files. A few corrected errors in an hour are usual; each other one counts."""
    machine.put(PORT, aer_dev_correctable=CORRECTABLE.format(5), aer_dev_fatal=FATAL.format(0))
    assert await machine.why("PCI Express errors") == ""
    machine.put(PORT, aer_dev_correctable=CORRECTABLE.format(104))
    assert await machine.why("PCI Express errors") == ""
    machine.put(PORT, aer_dev_correctable=CORRECTABLE.format(105), aer_dev_fatal=FATAL.format(1))
    assert await machine.why("PCI Express errors") == (
        "0000:01:00.0: 100 errors within an hour, corrected; 0000:01:00.0: 1 error within an hour, fatal"
    )
    assert await machine.why("PCI Express errors", minutes=65) == ""
    for number in range(2, 6):
        machine.put(PORT.replace("01", f"0{number}"), aer_dev_correctable="", aer_dev_nonfatal="TOTAL_ERR_NONFATAL 0")
    await machine.look()
    for number in range(2, 6):
        machine.put(PORT.replace("01", f"0{number}"), aer_dev_nonfatal="TOTAL_ERR_NONFATAL 2")
    assert (await machine.why("PCI Express errors")).endswith("2 errors within an hour, not fatal and 1 more")


async def test_machine_checks_and_throttling(machine: Machine) -> None:
    """Counts of all processors; those of one package are counted once, by each of its cores."""
    line = "            CPU0       CPU1\n  9:   3  4  IO-APIC  acpi\nMCE:   {}   0   Machine check exceptions\n"
    machine.put("proc", interrupts=line.format(0))
    for number in (0, 1):
        machine.put(f"{CPU}/cpu{number}/thermal_throttle", core_throttle_count=3, package_throttle_count=50)
    seen = await machine.look()
    assert all(each.ok for each in seen if isinstance(each, Condition))
    assert keys(seen) == {"host: processor errors", "host: throttling"}
    machine.put("proc", interrupts=line.format(2))
    machine.put(f"{CPU}/cpu1/thermal_throttle", package_throttle_count=60)
    seen = await machine.look()
    assert find(seen, "host", "processor errors", Condition).reason.startswith("2 machine checks within a day")
    assert "slowed down 10 times" in find(seen, "host", "throttling", Condition).reason


async def test_a_fan_that_must_turn(machine: Machine) -> None:
    """It turned for a week, also over restarts; then it stands still, which is a fault."""
    machine.put(CHIP, name="nct6775", fan1_input=900, fan1_min=0)
    assert await machine.why("reading", FAN) == ""
    for _ in range(8):
        machine.restart()
        assert await machine.why("reading", FAN, minutes=24 * 60) == ""
    machine.put(CHIP, fan1_input=0)
    assert await machine.why("reading", FAN) == "it stands still"
    machine.put(CHIP, fan1_input=300, fan1_min=400)
    assert await machine.why("reading", FAN) == "300 turns a minute, the limit is 400"
    (machine.root / CHIP / "fan1_input").unlink()
    assert await machine.why("reading", FAN) == "the sensor is missing"
    machine.restart(exclude=["fan *"])
    with pytest.raises(ToolMissing, match="shows no hardware"):
        await machine.look()


async def test_a_fan_that_may_stand_still(machine: Machine) -> None:
    """It stopped within the first week, so it is made to; one that never turned has nothing connected."""
    machine.put(CHIP, name="nct6775", fan1_input=900, fan2_input=0)
    await machine.look()
    machine.put(CHIP, fan1_input=0)
    await machine.look(24 * 60)
    machine.put(CHIP, fan1_input=900)
    await machine.look(9 * 24 * 60)
    machine.put(CHIP, fan1_input=0)
    seen = await machine.look()
    assert all(each.ok for each in seen if isinstance(each, Condition))


async def test_an_alarm_counts_only_if_it_was_off_once(machine: Machine) -> None:
    """Boards report alarms for inputs that are not connected; and small ones a voltage without its value."""
    machine.put(CHIP, name="nct6775", in0_input=1100, in0_label="Vcore", in0_alarm=0, in4_input=0, in4_min_alarm=1,
                fan1_input=900, fan1_fault=0)  # fmt: skip
    machine.put("sys/class/hwmon/hwmon3", name="rpi_volt", in0_lcrit_alarm=0)
    seen = await machine.look()
    assert {VCORE, FAN, "voltage rpi_volt in0"} == {key.removesuffix(": reading") for key in keys(seen)}
    assert dict(find(seen, VCORE, "reading", Condition).facts) == {"now": "1.10 V"}
    machine.put(CHIP, in0_alarm=1, fan1_fault=1)
    machine.put("sys/class/hwmon/hwmon3", in0_lcrit_alarm=1)
    seen = await machine.look()
    assert find(seen, VCORE, "reading", Condition).reason == "the chip reports alarm"
    assert find(seen, FAN, "reading", Condition).reason == "the chip reports fault"
    assert find(seen, "voltage rpi_volt in0", "reading", Condition).reason == "the chip reports lcrit alarm"


async def test_a_machine_that_shows_nothing(machine: Machine) -> None:
    """It is said, with the remedy; and what is absent, empty or nonsense is not there."""
    with pytest.raises(ToolMissing, match="remove this probe"):
        await machine.look()
    machine.put(EDAC, ce_count="", ue_count="many")
    machine.put("proc", interrupts="")
    with pytest.raises(ToolMissing):
        await machine.look()


NONSENSE = st.sampled_from(["", "-1", "nonsense", "9" * 30, "\x00", "1 2 3", "TOTAL_ERR_COR x", "TOTAL_ERR_COR 5"])
FILES = (f"{EDAC}/ce_count", f"{EDAC}/ue_count", f"{PORT}/aer_dev_correctable", "proc/interrupts", f"{CHIP}/fan1_input",
         f"{CHIP}/fan1_alarm", f"{CHIP}/in0_input", f"{CPU}/cpu0/thermal_throttle/core_throttle_count")  # fmt: skip


@given(st.dictionaries(st.sampled_from(FILES), NONSENSE))
def test_nonsense_in_any_file(tmp_path_factory: pytest.TempPathFactory, files: dict[str, str]) -> None:
    """No content of any file is an error."""
    root = tmp_path_factory.mktemp("root")
    for name, text in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    assert len(error_counts.memory_controllers(root)) <= 1
    assert len(error_counts.pci_errors(root)) <= 1
    assert (error_counts.machine_checks(root) or 0) >= 0
    error_counts.throttled(root)
    assert len(read_fans(root / "sys/class/hwmon", lambda _: True)) <= 2
