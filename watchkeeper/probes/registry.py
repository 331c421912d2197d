"""Every kind of probe there is: the one place where a new one is named."""

from collections.abc import Mapping
from typing import Any

from watchkeeper.config import plugin_kinds
from watchkeeper.config.types import ProbeSettings
from watchkeeper.probes import plugins
from watchkeeper.probes.base import Probe, ProbeContext, ProbeKind
from watchkeeper.probes.guests.guests import GuestsProbe, GuestsSettings
from watchkeeper.probes.host.after_reboot import AfterRebootProbe, AfterRebootSettings
from watchkeeper.probes.host.clock import ClockProbe, ClockSettings
from watchkeeper.probes.host.devices import DeviceProbe, DeviceSettings
from watchkeeper.probes.host.filesystems import FilesystemsProbe, FilesystemsSettings
from watchkeeper.probes.host.host_restarts import HostRestartsProbe, HostRestartsSettings
from watchkeeper.probes.host.kernel_log import KernelLogProbe, KernelLogSettings
from watchkeeper.probes.host.kernel_tables import KernelTablesProbe, KernelTablesSettings
from watchkeeper.probes.host.memory import MemoryProbe, MemorySettings
from watchkeeper.probes.host.pressure import PressureProbe, PressureSettings
from watchkeeper.probes.host.self_check import SelfCheckProbe, SelfCheckSettings
from watchkeeper.probes.host.temperatures import TemperaturesProbe, TemperaturesSettings
from watchkeeper.probes.programs.command import CommandProbe, CommandSettings
from watchkeeper.probes.services.answer_speed import with_speed
from watchkeeper.probes.services.dns import DnsProbe, DnsSettings
from watchkeeper.probes.services.http.checks import HttpSettings
from watchkeeper.probes.services.http.http import HttpProbe
from watchkeeper.probes.services.job import JobProbe, JobSettings
from watchkeeper.probes.services.mail_queue import MailQueueProbe, MailQueueSettings
from watchkeeper.probes.services.ping import PingProbe, PingSettings
from watchkeeper.probes.services.tcp import TcpProbe, TcpSettings
from watchkeeper.probes.storage.btrfs.filesystems import BtrfsProbe, BtrfsSettings
from watchkeeper.probes.storage.btrfs.snapshots import BtrfsSnapshotsProbe, BtrfsSnapshotsSettings
from watchkeeper.probes.storage.disk_latency import DiskLatencyProbe, DiskLatencySettings
from watchkeeper.probes.storage.lvm.snapshots import LvmSnapshotsProbe, LvmSnapshotsSettings
from watchkeeper.probes.storage.lvm.volume_groups import LvmProbe, LvmSettings
from watchkeeper.probes.storage.raid import RaidProbe, RaidSettings
from watchkeeper.probes.storage.smart import SmartProbe, SmartSettings
from watchkeeper.probes.storage.snapshot_files import SnapshotsProbe, SnapshotsSettings
from watchkeeper.probes.storage.zfs.pools import ZfsProbe, ZfsSettings
from watchkeeper.probes.storage.zfs.snapshots import ZfsSnapshotsProbe, ZfsSnapshotsSettings
from watchkeeper.probes.systemd.services import ServicesProbe, ServicesSettings
from watchkeeper.probes.systemd.timers import TimersProbe, TimersSettings
from watchkeeper.probes.systemd.units import UnitsProbe, UnitsSettings
from watchkeeper.probes.systemd.user_units import UserUnitsProbe, UserUnitsSettings

BUILT_IN: Mapping[str, ProbeKind[Any]] = {
    "filesystems": ProbeKind(FilesystemsSettings, FilesystemsProbe),
    "memory": ProbeKind(MemorySettings, MemoryProbe),
    "http": ProbeKind(HttpSettings, with_speed(HttpProbe)),
    "snapshots": ProbeKind(SnapshotsSettings, SnapshotsProbe),
    "self-check": ProbeKind(SelfCheckSettings, SelfCheckProbe),
    "tcp": ProbeKind(TcpSettings, with_speed(TcpProbe)),
    "dns": ProbeKind(DnsSettings, with_speed(DnsProbe)),
    "ping": ProbeKind(PingSettings, with_speed(PingProbe)),
    "guests": ProbeKind(GuestsSettings, GuestsProbe),
    "units": ProbeKind(UnitsSettings, UnitsProbe),
    "services": ProbeKind(ServicesSettings, ServicesProbe),
    "user-units": ProbeKind(UserUnitsSettings, UserUnitsProbe),
    "mail-queue": ProbeKind(MailQueueSettings, MailQueueProbe),
    "timers": ProbeKind(TimersSettings, TimersProbe),
    "clock": ProbeKind(ClockSettings, ClockProbe),
    "temperatures": ProbeKind(TemperaturesSettings, TemperaturesProbe),
    "device": ProbeKind(DeviceSettings, DeviceProbe),
    "after-reboot": ProbeKind(AfterRebootSettings, AfterRebootProbe),
    "job": ProbeKind(JobSettings, JobProbe),
    "pressure": ProbeKind(PressureSettings, PressureProbe),
    "kernel-log": ProbeKind(KernelLogSettings, KernelLogProbe),
    "kernel-tables": ProbeKind(KernelTablesSettings, KernelTablesProbe),
    "restarts": ProbeKind(HostRestartsSettings, HostRestartsProbe),
    "command": ProbeKind(CommandSettings, CommandProbe),
    "zfs": ProbeKind(ZfsSettings, ZfsProbe),
    "zfs-snapshots": ProbeKind(ZfsSnapshotsSettings, ZfsSnapshotsProbe),
    "lvm": ProbeKind(LvmSettings, LvmProbe),
    "lvm-snapshots": ProbeKind(LvmSnapshotsSettings, LvmSnapshotsProbe),
    "btrfs": ProbeKind(BtrfsSettings, BtrfsProbe),
    "btrfs-snapshots": ProbeKind(BtrfsSnapshotsSettings, BtrfsSnapshotsProbe),
    "raid": ProbeKind(RaidSettings, RaidProbe),
    "disk-latency": ProbeKind(DiskLatencySettings, DiskLatencyProbe),
    "smart": ProbeKind(SmartSettings, SmartProbe),
}
"""The kinds that watchkeeper brings."""

FROM_PACKAGES = plugin_kinds.find(plugins.GROUP, BUILT_IN)
"""The kinds that other installed packages bring, and what is wrong with those that cannot be used."""

PROBES: Mapping[str, ProbeKind[Any]] = {**BUILT_IN, **FROM_PACKAGES.kinds}
"""`kind` in the configuration -> its settings and its probe."""

FOUND_BY_DEFAULT = ("filesystems", "memory", "pressure", "kernel-tables", "restarts", "kernel-log", "self-check")
"""The kinds that run without any configuration: their settings need nothing that the keeper alone knows."""


def make_probe(settings: ProbeSettings, bench: ProbeContext) -> Probe:
    """The probe for some settings. Raises KeyError where their kind is not in the table."""
    return PROBES[settings.kind].make(settings, bench)
