"""Finding what the kernel counts and measures of the electronics, in a tree as it lays it out."""

from watchkeeper.discovery.finders.hardware import find_hardware, find_inotify
from watchkeeper.discovery.host import Host


async def test_what_the_kernel_shows(host: Host) -> None:
    """Machine checks alone are no reason for a probe; a fan is, and each sort of count."""
    (host.root / "proc").mkdir(exist_ok=True)
    (host.root / "proc/interrupts").write_text("MCE: 0\n")
    assert (await find_hardware(host)).absent == ("counts of hardware errors (EDAC, AER), fans, voltages",)
    for name in (
        "class/hwmon/hwmon0/fan1_input", "class/hwmon/hwmon0/in0_input", "devices/system/edac/mc/mc0/ce_count",
        "devices/system/edac/mc/mc0/ue_count", "bus/pci/devices/0000:01:00.0/aer_dev_correctable",
        "devices/system/cpu/cpu0/thermal_throttle/core_throttle_count",
    ):  # fmt: skip
        (host.root / "sys" / name).parent.mkdir(parents=True, exist_ok=True)
        (host.root / "sys" / name).write_text("0\n")
    (found,) = (await find_hardware(host)).proposals
    assert found.kind == "hardware"
    (about,) = found.about
    assert about.startswith("The kernel shows 1 memory controllers with ECC, 1 PCI Express devices that count errors, ")
    assert about.endswith(", 1 fans, 1 voltages, how often the processor was throttled.")


async def test_watches_of_files(host: Host) -> None:
    """Proposed where the kernel limits them, with the helper that it needs."""
    assert (await find_inotify(host)).proposals == ()
    (host.root / "proc/sys/fs/inotify").mkdir(parents=True)
    (found,) = (await find_inotify(host)).proposals
    assert found.kind == "inotify"
    assert found.about[1].startswith("Needs the helper.")
