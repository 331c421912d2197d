"""Finds what the kernel counts and measures of the host's electronics, and its limits of watches of files."""

from functools import partial

from watchkeeper.discovery.host import HELPER, Host, unseen
from watchkeeper.discovery.proposal import Found, Proposal
from watchkeeper.errors import ProbeError
from watchkeeper.probes.hardware import error_counts
from watchkeeper.probes.hardware.fans import read_fans
from watchkeeper.probes.host.inotify import LIMITS


async def find_hardware(host: Host) -> Found:
    """Counts of errors, fans and voltages. Machine checks alone, which every PC counts, are no reason for a probe."""
    try:
        parts = await host.bench.workers.call("hardware", partial(_electronics, host), host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("hardware errors, fans, voltages", error)
    if not parts:
        return Found(absent=("counts of hardware errors (EDAC, AER), fans, voltages",))
    return Found((Proposal("hardware", about=(f"The kernel shows {', '.join(parts)}.",)),))


async def find_inotify(host: Host) -> Found:
    """The limits of inotify(7). Nothing is counted here."""
    if not (host.root / LIMITS).is_dir():
        return Found()
    about = ("Watches of files (inotify), which synchronisation and containers need.", f"Needs the helper. {HELPER}.")
    return Found((Proposal("inotify", about=about),))


def _electronics(host: Host) -> list[str]:
    sensors = read_fans(host.root / "sys/class/hwmon", lambda _: True)
    counts = (
        (len(error_counts.memory_controllers(host.root)), "memory controllers with ECC"),
        (len(error_counts.pci_errors(host.root)), "PCI Express devices that count errors"),
        (len([each for each in sensors if each.sort == "fan"]), "fans"),
        (len([each for each in sensors if each.sort == "voltage"]), "voltages"),
    )
    named = [f"{count} {words}" for count, words in counts if count]
    throttling = error_counts.throttled(host.root) is not None
    return [*named, "how often the processor was throttled"] if throttling else named
