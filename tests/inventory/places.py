"""Where the tests of `reclaim` look: folders of their own in place of the machine's, and the settings of a test."""

from pathlib import Path

from tests.probes.toolbox import FixedClock, utc
from watchkeeper.inventory.reclaim.stores import StoreContext
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.settings import Settings, known_model

NOW = utc("2026-12-01 06:00:00")


def known(*probes: dict[str, object]) -> Settings:
    """Settings that watch over nothing but this."""
    return known_model().model_validate({"probe": list(probes)})


def fixed(workers: ThreadWorkers) -> ProbeContext:
    """A bench whose clock stands at NOW."""
    return ProbeContext(FixedClock(NOW), workers)


def place(folder: Path, workers: ThreadWorkers, *probes: dict[str, object], timeout_s: float = 20.0) -> StoreContext:
    """A place whose kernel's tables are in a folder; nothing is mounted there."""
    mountinfo = folder / "mountinfo"
    if not mountinfo.exists():
        mountinfo.write_text("")
    return StoreContext(fixed(workers), known(*probes), folder / "no-helper.sock", timeout_s, mountinfo, folder / "sys")


def mounted(folder: Path, *mounts: tuple[str, str, str]) -> None:
    """Mount these: where, type and source. The root is an ext4 besides."""
    lines = ["20 1 8:1 / / rw - ext4 /dev/sda1 rw"]
    lines += [
        f"{30 + n} 20 8:{30 + n} / {point} rw - {kind} {source} rw" for n, (point, kind, source) in enumerate(mounts)
    ]
    (folder / "mountinfo").write_text("\n".join(lines) + "\n")
