"""Every kind of probe there is: the one place where a new one is named."""

from collections.abc import Mapping
from typing import Any

from watchkeeper.config.types import ProbeSettings
from watchkeeper.probes import plugins
from watchkeeper.probes.base import Bench, Probe, ProbeKind
from watchkeeper.probes.btrfs import BtrfsProbe, BtrfsSettings
from watchkeeper.probes.btrfs_snapshots import BtrfsSnapshotsProbe, BtrfsSnapshotsSettings
from watchkeeper.probes.checkin import CheckinProbe, CheckinSettings
from watchkeeper.probes.clock_sync import ClockProbe, ClockSettings
from watchkeeper.probes.command import CommandProbe, CommandSettings
from watchkeeper.probes.devices import DeviceProbe, DeviceSettings
from watchkeeper.probes.dns import DnsProbe, DnsSettings
from watchkeeper.probes.echo import EchoProbe, EchoSettings
from watchkeeper.probes.filesystem import FilesystemsProbe, FilesystemsSettings
from watchkeeper.probes.guests import GuestsProbe, GuestsSettings
from watchkeeper.probes.http import HttpProbe
from watchkeeper.probes.http_checks import HttpSettings
from watchkeeper.probes.itself import ItselfProbe, ItselfSettings
from watchkeeper.probes.lvm import LvmProbe, LvmSettings
from watchkeeper.probes.lvm_snapshots import LvmSnapshotsProbe, LvmSnapshotsSettings
from watchkeeper.probes.memory import MemoryProbe, MemorySettings
from watchkeeper.probes.raid import RaidProbe, RaidSettings
from watchkeeper.probes.returned import ReturnedProbe, ReturnedSettings
from watchkeeper.probes.smart import SmartProbe, SmartSettings
from watchkeeper.probes.snapshots import SnapshotsProbe, SnapshotsSettings
from watchkeeper.probes.tcp import TcpProbe, TcpSettings
from watchkeeper.probes.temperatures import TemperaturesProbe, TemperaturesSettings
from watchkeeper.probes.units import UnitsProbe, UnitsSettings
from watchkeeper.probes.zfs import ZfsProbe, ZfsSettings
from watchkeeper.probes.zfs_snapshots import ZfsSnapshotsProbe, ZfsSnapshotsSettings

BUILT_IN: Mapping[str, ProbeKind[Any]] = {
    "filesystems": ProbeKind(FilesystemsSettings, FilesystemsProbe),
    "memory": ProbeKind(MemorySettings, MemoryProbe),
    "http": ProbeKind(HttpSettings, HttpProbe),
    "snapshots": ProbeKind(SnapshotsSettings, SnapshotsProbe),
    "itself": ProbeKind(ItselfSettings, ItselfProbe),
    "tcp": ProbeKind(TcpSettings, TcpProbe),
    "dns": ProbeKind(DnsSettings, DnsProbe),
    "echo": ProbeKind(EchoSettings, EchoProbe),
    "guests": ProbeKind(GuestsSettings, GuestsProbe),
    "units": ProbeKind(UnitsSettings, UnitsProbe),
    "clock": ProbeKind(ClockSettings, ClockProbe),
    "temperatures": ProbeKind(TemperaturesSettings, TemperaturesProbe),
    "device": ProbeKind(DeviceSettings, DeviceProbe),
    "returned": ProbeKind(ReturnedSettings, ReturnedProbe),
    "checkin": ProbeKind(CheckinSettings, CheckinProbe),
    "command": ProbeKind(CommandSettings, CommandProbe),
    "zfs": ProbeKind(ZfsSettings, ZfsProbe),
    "zfs-snapshots": ProbeKind(ZfsSnapshotsSettings, ZfsSnapshotsProbe),
    "lvm": ProbeKind(LvmSettings, LvmProbe),
    "lvm-snapshots": ProbeKind(LvmSnapshotsSettings, LvmSnapshotsProbe),
    "btrfs": ProbeKind(BtrfsSettings, BtrfsProbe),
    "btrfs-snapshots": ProbeKind(BtrfsSnapshotsSettings, BtrfsSnapshotsProbe),
    "raid": ProbeKind(RaidSettings, RaidProbe),
    "smart": ProbeKind(SmartSettings, SmartProbe),
}
"""The kinds that watchkeeper brings."""

FROM_PACKAGES = plugins.find(BUILT_IN)
"""The kinds that other installed packages bring, and what is wrong with those that cannot be used."""

PROBES: Mapping[str, ProbeKind[Any]] = {**BUILT_IN, **FROM_PACKAGES.kinds}
"""`kind` in the configuration -> its settings and its probe."""

FOUND_BY_DEFAULT = ("filesystems", "memory", "itself")
"""The kinds that run without any configuration: their settings need nothing that the keeper alone knows."""


def make_probe(settings: ProbeSettings, bench: Bench) -> Probe:
    """The probe for some settings. Raises KeyError where their kind is not in the table."""
    return PROBES[settings.kind].make(settings, bench)
