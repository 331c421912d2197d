"""A host on which, for days, only what happens anyway happens: backups, log rotation, upgrades, a check, a scrub.

The probes are real, with their own default settings and intervals, and so are rules, pipeline and messages. What is
scripted is what they read: the kernel's files, below a folder, and what the system's tools print, in the form of each
tool. Not here: judging (tests/test_quiet_week.py).
"""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

from tests.support import quiet_files
from tests.support.house import Desk, Hands
from tests.support.living import Tray
from watchkeeper.alerting import clock_gaps
from watchkeeper.model.message import Message
from watchkeeper.model.observation import Observed, Unseen
from watchkeeper.privileged import commands
from watchkeeper.privileged import process as running
from watchkeeper.privileged.process import Completed
from watchkeeper.probes.base import BaseProbe, Probe, ProbeContext
from watchkeeper.probes.hardware.hardware import HardwareProbe, HardwareSettings
from watchkeeper.probes.host.host_restarts import HostRestartsProbe, HostRestartsSettings
from watchkeeper.probes.host.inotify import InotifyProbe, InotifySettings
from watchkeeper.probes.host.kernel_log import KernelLogProbe, KernelLogSettings
from watchkeeper.probes.host.kernel_tables import KernelTablesProbe, KernelTablesSettings
from watchkeeper.probes.host.pressure import PressureProbe, PressureSettings
from watchkeeper.probes.host.temperatures import TemperaturesProbe, TemperaturesSettings
from watchkeeper.probes.network.links import LinksProbe, LinksSettings
from watchkeeper.probes.services.mail_queue import MailQueueProbe, MailQueueSettings
from watchkeeper.probes.software.old_libraries import OldLibrariesProbe, OldLibrariesSettings
from watchkeeper.probes.software.software import SoftwareProbe, SoftwareSettings
from watchkeeper.probes.storage.disk_latency import DiskLatencyProbe, DiskLatencySettings
from watchkeeper.probes.storage.mapped_devices import MappedDevicesProbe, MappedDevicesSettings
from watchkeeper.probes.storage.raid import RaidProbe, RaidSettings
from watchkeeper.probes.storage.risks import StorageRisksProbe, StorageRisksSettings
from watchkeeper.probes.storage.zfs.pools import ZfsProbe, ZfsSettings
from watchkeeper.probes.support.block_devices import BlockDevices
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.probes.systemd.services import PROPERTIES, ServicesProbe, ServicesSettings
from watchkeeper.probes.systemd.timers import TimersProbe, TimersSettings
from watchkeeper.probes.systemd.units import UnitsProbe, UnitsSettings
from watchkeeper.probes.systemd.user_units import UserUnitsProbe, UserUnitsSettings
from watchkeeper.runtime.pipeline import Pipeline
from watchkeeper.runtime.pipeline_state import PipelineState
from watchkeeper.runtime.scheduled_probe import ScheduledProbe, look

BEGAN_AT = datetime(2026, 3, 2, tzinfo=UTC)  # a Monday
STEP = timedelta(minutes=10)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)

BACKUP = range(2, 4)
"""Hours of the night in which the backup reads all disks."""
UPGRADE, CHECK, SCRUB = (
    (DAY * 8 + HOUR * 11, DAY * 8 + HOUR * 11.5),
    (DAY * 6, DAY * 6 + HOUR * 7),
    (DAY * 9, DAY * 9.5),
)
RESTART = DAY * 8 + HOUR * 12
"""After the upgrade, for the new kernel. From the beginning, as the others."""

HARMLESS = (
    "EXT4-fs (sda1): mounted filesystem with ordered data mode. Quota mode: none.",
    "ata1: link is slow to respond, please be patient (ready=0)",
    "ata1: SATA link up 6.0 Gbps (SStatus 133 SControl 300)",
    "perf: interrupt took too long (2510 > 2500), lowering kernel.perf_event_max_sample_rate to 79500",
    "TCP: request_sock_TCP: Possible SYN flooding on port 443. Sending cookies.",
    "usb 1-1: reset high-speed USB device number 2 using xhci_hcd",
    "usb 1-4: USB disconnect, device number 5",
    "md: data-check of RAID array md0",
    "systemd-journald[301]: Received SIGTERM from PID 1 (systemd).",
    "kauditd_printk_skb: 12 callbacks suppressed",
    "nvme nvme0: 4/0/0 default/read/poll queues",
    "device eth0 entered promiscuous mode",
)
"""What a healthy kernel writes as a warning or less."""


@dataclass(slots=True)
class Service:
    """A unit as systemd shows it. began, ended: in seconds since the boot."""

    kind: str = "simple"
    active: str = "active"
    restarts: int = 0
    began_s: float = 5.0
    ended_s: float = 0.0


@dataclass
class QuietHost:
    """What the tools print and the kernel's files hold, at the time of the clock."""

    root: Path
    clock: Hands
    booted_at: datetime = BEGAN_AT - 40 * DAY
    boot: int = 1
    services: dict[str, Service] = field(default_factory=dict)
    requests: dict[str, tuple[int, float]] = field(default_factory=dict)
    waited_us: float = 0.0
    journal: list[tuple[datetime, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for name in ("cron", "ssh", "nginx", "postgresql", "tide-log", "nest-cams"):
            self.services[f"{name}.service"] = Service()
        for name in ("nightly-backup", "logrotate", "apt-daily-upgrade"):
            self.services[f"{name}.service"] = Service("oneshot", "inactive")
        for disk in ("sda", "sdb", "nvme0n1"):
            self.put(f"sys/block/{disk}/device/model", "disk")
            self.put(f"sys/block/{disk}/queue/rotational", "0" if disk.startswith("nvme") else "1")
            (self.root / "sys/class/block").mkdir(parents=True, exist_ok=True)
            (self.root / "sys/class/block" / disk).symlink_to(self.root / "sys/block" / disk)
            self.requests[disk] = (0, 0.0)
        for name, text in {"level": "raid1", "raid_disks": "2", "degraded": "0", "array_state": "clean"}.items():
            self.put(f"sys/block/md0/md/{name}", text)
        (self.root / "sys/block/md0/slaves").mkdir()
        for disk in ("sda", "sdb"):
            (self.root / "sys/block/md0/slaves" / disk).symlink_to(self.root / "sys/block" / disk)
        self.put("sys/block/dm-0/dm/name", "cams")
        self.put("sys/block/dm-0/dm/suspended", "0")
        self.put("proc/spl/kstat/zfs/skerry/state", "ONLINE")
        self.put("proc/swaps", "Filename Type Size Used Priority\n/dev/nvme0n1p3 partition 8388604 0 -2")
        self.put("proc/self/mountinfo", "21 1 8:1 / / rw - ext4 /dev/sda1 rw")
        quiet_files.lay_out(self.put, self.root, self.clock.now())
        self.step()

    def put(self, path: str, text: str) -> None:
        """Write a file of the kernel."""
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f"{text}\n")

    @property
    def since(self) -> timedelta:
        """Time since the beginning."""
        return self.clock.now() - BEGAN_AT

    @property
    def up_s(self) -> float:
        """Seconds since the boot."""
        return (self.clock.now() - self.booted_at).total_seconds()

    def between(self, span: tuple[timedelta, timedelta]) -> bool:
        """Whether it is that time."""
        return span[0] <= self.since < span[1]

    def step(self) -> None:
        """Let happen what happens in the next ten minutes."""
        now = self.clock.now()
        if self.since == RESTART:
            self._restart()
        self._jobs(now)
        busy = 0.7 if now.hour in BACKUP else 0.6 if self.between(CHECK) or self.between(SCRUB) else 0.02
        self.waited_us += busy * STEP.total_seconds() * 1e6
        for disk, (count, took_ms) in self.requests.items():
            self.requests[disk] = (count + 3000, took_ms + 3000 * self._request_ms(disk))
        self.journal += [(now, HARMLESS[(now.hour + number) % len(HARMLESS)]) for number in range(2)]
        self._files()

    def _request_ms(self, disk: str) -> float:
        """How long a request takes. The check reads the array's two disks; nobody sees which disks a scrub reads."""
        quick = disk.startswith("nvme")
        if self.between(SCRUB) or (self.between(CHECK) and not quick):
            return 260.0
        usual_ms = 45.0 if self.clock.now().hour in BACKUP else 8.0
        return usual_ms / 10 if quick else usual_ms

    def _restart(self) -> None:
        self.booted_at, self.boot = self.clock.now() - timedelta(seconds=90), self.boot + 1
        for each in self.services.values():
            each.restarts, each.began_s, each.ended_s = 0, 5.0, 0.0
        self.journal.append((self.clock.now(), "Linux version 6.1.0-42-amd64"))

    def _jobs(self, now: datetime) -> None:
        """Jobs begin and end; an upgrade restarts services by hand, and one of them a second time by itself."""
        backup, rotate = self.services["nightly-backup.service"], self.services["logrotate.service"]
        if now.hour in BACKUP and backup.active == "inactive":
            backup.active, backup.began_s = "activating", self.up_s
        elif now.hour not in BACKUP and backup.active == "activating":
            backup.active, backup.ended_s = "inactive", self.up_s
        if (now.hour, now.minute) == (0, 0):
            rotate.began_s, rotate.ended_s = self.up_s - 3, self.up_s - 1
        if self.between((UPGRADE[0], UPGRADE[0] + STEP)):
            for name in ("nginx.service", "postgresql.service", "ssh.service"):
                self.services[name] = Service(restarts=1 if name.startswith("post") else 0, began_s=self.up_s)

    def _files(self) -> None:
        self.put("proc/uptime", f"{self.up_s:.2f} 1.00")
        self.put("proc/sys/kernel/random/boot_id", f"00000000-0000-4000-8000-{self.boot:012d}")
        lines = [f"8 0 {n} {count} 0 0 {took:.0f} 0 0 0 0 0 0 0" for n, (count, took) in self.requests.items()]
        self.put("proc/diskstats", "\n".join(lines))
        total = f"avg10=0.00 avg60=0.00 avg300=0.00 total={self.waited_us:.0f}"
        self.put("proc/pressure/io", f"some {total}\nfull {total}")
        self.put("proc/pressure/cpu", f"some {total}\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=0")
        checking = self.between(CHECK)
        self.put("sys/block/md0/md/sync_action", "check" if checking else "idle")
        self.put("sys/block/md0/md/sync_completed", "1000 / 2000" if checking else "none")
        now, kernel = self.clock.now(), quiet_files.NEW if self.since >= RESTART else quiet_files.OLD
        quiet_files.change(self.put, now, self.up_s, busy=now.hour in BACKUP, kernel=kernel)
        if (now.hour, now.minute) == (6, 0) or self.since < STEP:
            quiet_files.lists(self.put, self.root, now)
        if UPGRADE[0] <= self.since <= UPGRADE[1]:
            state = "half-configured" if self.between(UPGRADE) else "installed"
            quiet_files.packages(self.put, self.root, state, now)
            quiet_files.new_kernel(self.put)
        self.put("sys/block/md0/md/mismatch_cnt", "128" if self.since >= CHECK[0] else "0")  # usual on a mirror: md(4)

    def run(self, argv: Sequence[str], *_: object, **__: object) -> Completed:
        """In place of running a program: what it would print."""
        words = " ".join(argv)
        if "watchkeeper.privileged." in words:
            busy = self.clock.now().hour in BACKUP
            waits = self.between((UPGRADE[0], RESTART))
            said = quiet_files.watches(busy=busy) if "inotify" in words else quiet_files.replaced(waits=waits)
            return Completed(0, said.encode())
        for begin, text in self._tools():
            if words.startswith(begin):
                return Completed(0, (text(words) if callable(text) else text).encode())
        return Completed(None, missing=True)

    def _tools(self) -> Iterator[tuple[str, str | Callable[[str], str]]]:
        scan = "scrub repaired 0B in 05:00:01 with 0 errors on Sun Feb 22 05:24:02 2026"
        if self.between(SCRUB):
            scan = "scrub in progress since Wed Mar 11 00:00:02 2026"
        elif self.since >= SCRUB[1]:
            scan = "scrub repaired 0B in 12:00:01 with 0 errors on Wed Mar 11 12:00:02 2026"
        devices = "\tskerry  ONLINE  0  0  0\n\t  mirror-0  ONLINE  0  0  0\n\t    leg0  ONLINE  0  0  0\n"
        yield "zpool status", f"  pool: skerry\n  scan: {scan}\nconfig:\n\n{devices}\nerrors: No known data errors\n"
        yield "zpool list", "skerry\tONLINE\t4000000000000\t2000000000000\t31\n"
        sizes = "2000000000000\t1900000000000\t96000\t96000\t0\t0\t0\t0\t-\t1700000000"
        yield "zfs list", f"skerry\tfilesystem\t{sizes}\n"
        yield (
            "zfs get",
            "skerry\tmounted\tyes\nskerry\tcanmount\ton\nskerry\tmountpoint\t/skerry\nskerry\tkeystatus\t-\n",
        )
        yield "systemctl show --no-pager --property=Id,Type", lambda _: self._shown()
        yield "systemctl show", ""
        yield "systemctl list-units", "[]"
        yield "systemctl list-timers", json.dumps(self._timers())
        yield "setpriv", "[]"
        waiting = self.between((quiet_files.PUBLISHED, UPGRADE[1]))
        yield "apt-get -s", quiet_files.updates(waiting=waiting)
        yield "dmsetup status", "cams: 0 41943040 crypt \n"
        yield "postqueue", self._queue()
        yield "journalctl --dmesg", self._dmesg
        yield "journalctl --quiet --boot=-1", "1772000000.0 gannet systemd-logind: System is rebooting.\n"

    def _shown(self) -> str:
        blocks = []
        for unit, each in self.services.items():
            values = {
                "Id": unit, "Type": each.kind, "ActiveState": each.active, "SubState": "", "Result": "success",
                "NRestarts": str(each.restarts), "Transient": "no",
                "InactiveExitTimestampMonotonic": f"{each.began_s * 1e6:.0f}",
                "ExecMainStartTimestampMonotonic": f"{each.began_s * 1e6:.0f}",
                "ExecMainExitTimestampMonotonic": f"{each.ended_s * 1e6:.0f}",
            }  # fmt: skip
            blocks.append("\n".join(f"{name}={values[name]}" for name in PROPERTIES))
        return "\n\n".join(blocks) + "\n"

    def _timers(self) -> list[dict[str, object]]:
        """A nightly and a weekly timer; the one that is not persistent has not run since a restart until it does."""
        now, rows = self.clock.now(), []
        for unit, period, at in (("nightly-backup", DAY, 2 * HOUR), ("weekly-report", 7 * DAY, DAY * 4 + 9 * HOUR)):
            last = BEGAN_AT - 7 * DAY + at
            while last + period <= now:
                last += period
            hidden = unit == "weekly-report" and last < self.booted_at
            row = {"unit": f"{unit}.timer", "activates": f"{unit}.service", "next": _micros(last + period)}
            rows.append(row | {"last": None if hidden else _micros(last)})
        return rows

    def _queue(self) -> str:
        """Each morning one message is refused for half an hour by a server that does not know us yet."""
        now = self.clock.now()
        if not (now.hour == 7 and now.minute < 30):
            return ""
        refused = {"address": "warden@example.org", "delay_reason": "450 4.2.0 Greylisted, try again"}
        arrived = now.replace(minute=0).timestamp()
        return json.dumps({"queue_name": "deferred", "arrival_time": arrived, "recipients": [refused]}) + "\n"

    def _dmesg(self, words: str) -> str:
        """What came after the cursor, or the newest entry."""
        after = int(words.split("--after-cursor=c")[1].split(" ", maxsplit=1)[0]) if "--after-cursor=" in words else -1
        found = list(enumerate(self.journal))
        chosen = found[-1:] if "--boot" in words else [each for each in found if each[0] > after]
        return "".join(
            json.dumps({"__CURSOR": f"c{n}", "__REALTIME_TIMESTAMP": str(_micros(at)), "MESSAGE": text}) + "\n"
            for n, (at, text) in chosen
        )


def _micros(at: datetime) -> int:
    return round(at.timestamp() * 1e6)


class Recording(BaseProbe):
    """A probe that notes what it could not look at."""

    def __init__(self, probe: Probe, unseen: set[str]) -> None:
        self._probe, self._unseen = probe, unseen

    async def observe(self) -> Sequence[Observed]:
        """What the probe saw."""
        seen = await self._probe.observe()
        self._unseen.update(each.what for each in seen if isinstance(each, Unseen))
        return seen


class Quiet:
    """The host's days. told: every message. unseen: what a probe could not look at."""

    def __init__(self, folder: Path) -> None:
        self.clock, self.tray, self.workers = Hands(), Tray(), ThreadWorkers()
        self.clock.at = BEGAN_AT
        self.host, self.unseen = QuietHost(folder, self.clock), set[str]()
        context = ProbeContext(self.clock, self.workers)
        self.watched = [self._scheduled(settings, probe) for settings, probe in self._probes(context, folder)]
        self._due = dict.fromkeys((each.label for each in self.watched), BEGAN_AT)
        self.pipeline = Pipeline(PipelineState(self.tray, Desk(), self.clock, "gannet", UTC))

    def _probes(self, context: ProbeContext, root: Path) -> Iterator[tuple[object, Probe]]:
        blocks = BlockDevices(root / "sys")
        for settings, probe in (
            (HostRestartsSettings(), HostRestartsProbe),
            (PressureSettings(), PressureProbe),
            (DiskLatencySettings(), DiskLatencyProbe),
            (MappedDevicesSettings(), MappedDevicesProbe),
            (StorageRisksSettings(), StorageRisksProbe),
            (ServicesSettings(), ServicesProbe),
            (LinksSettings(), LinksProbe),
            (KernelTablesSettings(), KernelTablesProbe),
            (HardwareSettings(), HardwareProbe),
            (TemperaturesSettings(), TemperaturesProbe),
            (InotifySettings(), InotifyProbe),
            (SoftwareSettings(), SoftwareProbe),
        ):
            yield settings, probe(settings, context, root)  # type: ignore[arg-type]  # each with its own settings
        yield (old := OldLibrariesSettings()), OldLibrariesProbe(old, context)
        yield (raid := RaidSettings()), RaidProbe(raid, context, root / "sys/block")
        yield (zfs := ZfsSettings()), ZfsProbe(zfs, context, root / "proc/spl/kstat/zfs")
        yield (kernel := KernelLogSettings()), KernelLogProbe(kernel, context, blocks, str(root / "proc"))
        yield (units := UnitsSettings()), UnitsProbe(units, context)
        yield (timers := TimersSettings()), TimersProbe(timers, context)
        yield (users := UserUnitsSettings()), UserUnitsProbe(users, context)
        yield (mail := MailQueueSettings()), MailQueueProbe(mail, context)

    def _scheduled(self, settings: object, probe: Probe) -> ScheduledProbe:
        kind, every_s = settings.kind, settings.every  # type: ignore[attr-defined]  # of every probe's settings
        rules = settings.usual_rules.rules()  # type: ignore[attr-defined]
        return ScheduledProbe(kind, every_s, Recording(probe, self.unseen), rules)

    async def live(self, days: int) -> Sequence[Message]:
        """Let so many days pass; the messages in them."""
        return await self.live_steps(round(days * DAY / STEP))

    async def live_steps(self, steps: int) -> Sequence[Message]:
        """Let so many times ten minutes pass; the messages in them."""
        before = len(self.tray.new)
        longer = mock.patch.object(clock_gaps, "STALL_S", STEP.total_seconds() + 1)
        tools = mock.patch.object(running, "run", self.host.run), mock.patch.object(commands, "run", self.host.run)
        with longer, tools[0], tools[1]:
            for _ in range(steps):
                self.clock.run(STEP)
                self.host.step()
                for each in self.watched:
                    if self.clock.now() >= self._due[each.label]:
                        self._due[each.label] = self.clock.now() + timedelta(seconds=each.interval_s)
                        observed, own = await look(each)
                        await self.pipeline.take(each, observed, own)
                await self.pipeline.review()
        return self.tray.new[before:]
