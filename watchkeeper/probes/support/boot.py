"""Which boot of the host this is, and how long ago it began, as the kernel reports it under /proc."""

from pathlib import Path

from watchkeeper.probes.support.sanitize import clip


def boot_of(proc: Path) -> str:
    """The kernel's random id of this boot: random(4). Raises OSError if it cannot be read."""
    return clip((proc / "sys/kernel/random/boot_id").read_text(encoding="ascii").strip())


def up_s(proc: Path) -> float:
    """Seconds since the host booted: proc(5), /proc/uptime. Raises OSError if it cannot be read."""
    return float((proc / "uptime").read_text(encoding="ascii").split()[0])
