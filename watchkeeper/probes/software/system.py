"""What the host needs to be restarted for, what its newest kernel lacks, and when its distribution's support ends.

Files that every user may read. Blocks. Not here: services that run deleted libraries.
"""

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from watchkeeper.model.kernel import missing_parts, newer
from watchkeeper.model.observation import Condition, Deadline, Facts, Observed, SeriesKey, Unseen
from watchkeeper.os_errors import explained
from watchkeeper.probes.software import kernels, support_end
from watchkeeper.probes.software.support_end import Support
from watchkeeper.probes.software.waiting import Waiting
from watchkeeper.probes.support.sanitize import clip

RESTART = SeriesKey("host", "restart")
BOOT_FILES = SeriesKey("newest kernel", "boot files")
SUPPORT = SeriesKey("operating system", "support")

REQUIRED = Path("run/reboot-required")
"""Made by packages that need a restart, where unattended-upgrades or its like is installed."""

NAMES_LIMIT_BYTES = 64 * 1024


def observe_kernels(root: Path, waiting: Waiting, limit_s: float) -> Iterator[Observed]:
    """Whether a restart is due, and whether the kernel that will boot has what it needs."""
    reasons = _required(root)
    try:
        running = kernels.running(root)
    except OSError as error:
        yield Unseen("host: kernel", f"the running release cannot be read: {explained(error)}")
        running = ""
    found = kernels.installed(root)
    if running and found:
        missing = missing_parts(found, running)
        facts: Facts = (("newest", clip(found[-1].release, 60)), ("running", clip(running, 60)))
        yield Condition(BOOT_FILES, not missing, "; ".join(missing), facts=facts)
        if newest := newer(found, running):
            reasons.append(f"kernel {clip(newest, 60)} is installed, {clip(running, 60)} runs")
    elif running:
        yield Unseen("newest kernel", "no kernel is in /boot")
    if running and kernels.modules_removed(root, running):
        reasons.append(f"the modules of the running kernel {clip(running, 60)} are no longer installed")
    if reasons or found or not running:
        facts = tuple(("why", each) for each in reasons)
        yield waiting.deadline(RESTART, ("restart of the host",) if reasons else (), limit_s, facts)


def _required(root: Path) -> list[str]:
    """Why packages ask for a restart; their names are in a file beside the mark."""
    if not (root / REQUIRED).exists():
        return []
    names: list[str] = []
    with suppress(OSError), (root / f"{REQUIRED}.pkgs").open("rb") as file:
        names = sorted(set(file.read(NAMES_LIMIT_BYTES).decode("utf-8", "replace").split()))
    return [f"packages ask for it: {clip(', '.join(names), 200)}" if names else "packages ask for it"]


def observe_support(root: Path, wanted: Support) -> Deadline | Unseen:
    """When the support of the host's distribution ends."""
    try:
        system = support_end.read_os_release((root / "etc/os-release").read_text("utf-8", "replace"))
    except OSError as error:
        return Unseen("operating system: support", f"/etc/os-release cannot be read: {explained(error)}")
    name = clip(system.get("PRETTY_NAME") or system.get("ID", "unknown"), 60)
    release = support_end.Release(
        system.get("ID", ""), system.get("VERSION_ID", ""), system.get("VERSION_CODENAME", "")
    )
    ends = support_end.stated(system) or support_end.find(root, release)
    return support_end.support_of(SUPPORT, name, ends, wanted)
