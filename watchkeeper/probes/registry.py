"""Every kind of probe there is: the one place where a new one is named.

The module of a kind is imported when the kind is first used: most hosts need few of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from watchkeeper.config import plugin_kinds
from watchkeeper.config.kinds import Kinds
from watchkeeper.config.types import ProbeSettings
from watchkeeper.probes import plugins
from watchkeeper.probes.base import Probe, ProbeContext, ProbeKind


@dataclass(frozen=True, slots=True)
class BuiltIn:
    """A kind of ours: its module in this package, and the name that its classes NAMESettings and NAMEProbe begin with.

    speed: whether the speed of its answers is judged too (services/answer_speed.py).
    disks: whether what it says of disks gets their names (storage/disk_names.py).
    """

    module: str
    name: str
    speed: bool = False
    disks: bool = False

    def __call__(self) -> ProbeKind[Any]:
        """Import it."""
        module = import_module(f"watchkeeper.probes.{self.module}")
        settings, make = getattr(module, f"{self.name}Settings"), getattr(module, f"{self.name}Probe")
        if self.speed:
            make = import_module("watchkeeper.probes.services.answer_speed").with_speed(make)
        if self.disks:
            make = import_module("watchkeeper.probes.storage.disk_names").with_disk_names(make)
        return ProbeKind(settings, make)


_MODULES = {
    "filesystems": BuiltIn("filesystems.filesystems", "Filesystems"),
    "memory": BuiltIn("host.memory", "Memory"),
    "http": BuiltIn("services.http.http", "Http", speed=True),
    "snapshots": BuiltIn("storage.snapshot_files", "Snapshots"),
    "self-check": BuiltIn("own.self_check", "SelfCheck"),
    "coverage": BuiltIn("own.coverage", "Coverage"),
    "backups": BuiltIn("own.backups", "Backups"),
    "tcp": BuiltIn("services.tcp", "Tcp", speed=True),
    "dns": BuiltIn("services.dns", "Dns", speed=True),
    "ping": BuiltIn("services.ping", "Ping", speed=True),
    "guests": BuiltIn("guests.guests", "Guests"),
    "guest-agents": BuiltIn("guests.agents.guest_agents", "GuestAgents"),
    "containers": BuiltIn("containers.containers", "Containers"),
    "units": BuiltIn("systemd.units", "Units"),
    "services": BuiltIn("systemd.services", "Services"),
    "user-units": BuiltIn("systemd.user_units", "UserUnits"),
    "mail-queue": BuiltIn("services.mail_queue", "MailQueue"),
    "timers": BuiltIn("systemd.timers", "Timers"),
    "clock": BuiltIn("host.clock", "Clock"),
    "temperatures": BuiltIn("host.temperatures", "Temperatures"),
    "device": BuiltIn("host.devices", "Device"),
    "after-reboot": BuiltIn("host.after_reboot", "AfterReboot"),
    "certificates": BuiltIn("services.certificate_files", "Certificates"),
    "job": BuiltIn("services.job", "Job"),
    "pressure": BuiltIn("host.pressure", "Pressure"),
    "kernel-log": BuiltIn("host.kernel_log", "KernelLog", disks=True),
    "kernel-tables": BuiltIn("host.kernel_tables", "KernelTables"),
    "restarts": BuiltIn("host.host_restarts", "HostRestarts"),
    "directories": BuiltIn("filesystems.directories", "Directories"),
    "changes": BuiltIn("changes.changes", "Changes"),
    "links": BuiltIn("network.links", "Links"),
    "inotify": BuiltIn("host.inotify", "Inotify"),
    "hardware": BuiltIn("hardware.hardware", "Hardware"),
    "software": BuiltIn("software.software", "Software"),
    "old-libraries": BuiltIn("software.old_libraries", "OldLibraries"),
    "ups": BuiltIn("power.ups", "Ups"),
    "command": BuiltIn("programs.command", "Command"),
    "zfs": BuiltIn("storage.zfs.pools", "Zfs", disks=True),
    "zfs-snapshots": BuiltIn("storage.zfs.snapshots", "ZfsSnapshots"),
    "lvm": BuiltIn("storage.lvm.volume_groups", "Lvm", disks=True),
    "lvm-snapshots": BuiltIn("storage.lvm.snapshots", "LvmSnapshots"),
    "btrfs": BuiltIn("storage.btrfs.filesystems", "Btrfs", disks=True),
    "btrfs-snapshots": BuiltIn("storage.btrfs.snapshots", "BtrfsSnapshots"),
    "raid": BuiltIn("storage.raid", "Raid", disks=True),
    "storage-risks": BuiltIn("storage.risks", "StorageRisks", disks=True),
    "mapped-devices": BuiltIn("storage.mapped_devices", "MappedDevices", disks=True),
    "disk-latency": BuiltIn("storage.disk_latency", "DiskLatency", disks=True),
    "smart": BuiltIn("storage.smart.disks", "Smart", disks=True),
}

NAME_DISKS = frozenset(kind for kind, each in _MODULES.items() if each.disks)
"""The kinds that depend on what the operator calls disks."""

BUILT_IN: Mapping[str, ProbeKind[Any]] = Kinds(_MODULES)
"""The kinds that watchkeeper brings."""

FROM_PACKAGES = plugin_kinds.find(plugins.GROUP, BUILT_IN)
"""The kinds that other installed packages bring, and what is wrong with those that cannot be used."""

PROBES: Mapping[str, ProbeKind[Any]] = Kinds(_MODULES, FROM_PACKAGES.kinds)
"""`kind` in the configuration -> its settings and its probe."""

FOUND_BY_DEFAULT = (
    "filesystems", "memory", "pressure", "kernel-tables", "restarts", "kernel-log", "self-check", "coverage",
    "changes", "backups",
)  # fmt: skip
"""The kinds that run without any configuration: their settings need nothing that only the operator knows."""


def make_probe(settings: ProbeSettings, bench: ProbeContext) -> Probe:
    """The probe for some settings. Raises KeyError where their kind is not in the table."""
    return PROBES[settings.kind].make(settings, bench)
