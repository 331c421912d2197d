"""The timers of systemd, as `systemctl list-timers` prints them, and which units belong to the distribution's base."""

from datetime import UTC, datetime
from fnmatch import fnmatchcase

from pydantic import BaseModel, ConfigDict, TypeAdapter

from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.systemctl import read_rows
from watchkeeper.probes.support.tools import run_tool

BASE = (
    "accounts-daemon.service", "apt-daily*", "atd.service", "avahi-*", "colord.service", "console-*", "cron.service",
    "dbus*", "dm-event.service", "dpkg-*", "e2scrub*", "emergency.service", "fstrim*", "fwupd*", "getty*",
    "ifup@*", "ifupdown*", "irqbalance.service", "keyboard-setup*", "kmod*", "logrotate*", "lvm2-*", "man-db*",
    "ModemManager.service", "motd-news*", "networkd-*", "networking.service", "NetworkManager*", "packagekit*",
    "polkit*", "qemu-guest-agent.service", "rsyslog.service", "rtkit-*", "serial-getty@*", "session-*",
    "snapd*", "systemd-*", "udev*", "udisks2*", "unattended-upgrades*", "upower*", "user-runtime-dir@*", "user@*",
    "virtlogd*", "watchkeeper*", "wpa_supplicant*", "zfs-zed.service",
)  # fmt: skip
"""Units of the distribution's base, and of watchkeeper itself; what they need is not the operator's choice."""

TIMERS = ("systemctl", "list-timers", "--all", "--no-pager", "--output=json")


class Timer(BaseModel):
    """One row of `systemctl list-timers --output=json`; next and last in microseconds since 1970, 0 or null for none.

    For a timer that counts from the start of the host, `next` is on another clock, so a period needs both values.
    """

    model_config = ConfigDict(frozen=True, extra="ignore")

    unit: str
    activates: str | None = None
    next: int | None = None
    last: int | None = None

    @property
    def period_s(self) -> float | None:
        """Seconds from its last run to its next; None if either is missing."""
        if not self.last or not self.next or self.next <= self.last:
            return None
        return (self.next - self.last) / 1e6

    @property
    def last_at(self) -> datetime | None:
        """When it last ran; None if it never did, or at a time that datetime cannot represent."""
        try:
            return datetime.fromtimestamp(self.last / 1e6, UTC) if self.last else None
        except (ValueError, OverflowError, OSError):
            return None


_TIMERS = TypeAdapter(list[Timer])


async def list_timers(bench: ProbeContext, timeout_s: float) -> list[Timer]:
    """Every loaded timer. Raises ToolMissing, ProbeTimeout, StillHanging and ProbeError."""
    return read_rows(_TIMERS, await run_tool(bench, TIMERS, timeout_s))


def own(unit: str) -> bool:
    """Does it look like the operator's own, and not like part of the distribution's base?"""
    return not any(fnmatchcase(unit, glob) for glob in BASE)
