"""Entries about the host: memory, units, devices, sensors, its clock, its restart."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_BIGGEST = ("ps -eo rss,comm --sort=-rss | head", "what holds the most memory, in KiB")

ENTRIES = (
    RunbookEntry(
        title="Swap fills",
        concern=Concern.FULL,
        kinds=("memory",),
        about=(("memory", "swap"), ("*", "swap")),
        means="Programs have been moved to the disk because memory was short. When swap is full as well, the kernel "
        "ends a process.",
        look="`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. Swap that stays full means that "
        "the guests together want more memory than the host has.",
        commands=(
            _BIGGEST,
            ("swapon --show", "where swap lies, and how much is used"),
            ("grep -H VmSwap /proc/[0-9]*/status | sort -k2 -n | tail", "which processes lie in swap"),
        ),
        helps="Give the guests less memory, or the host more. Old pages that nobody asks for may stay in swap: a "
        "level that stands still harms nobody.",
        avoid="Do not switch swap off (`swapoff`) while memory is short: everything in it must fit into memory then.",
    ),
    RunbookEntry(
        title="Memory fills",
        concern=Concern.FULL,
        kinds=("memory",),
        about=(("memory", "in use"), ("memory", "*")),
        means="What programs hold and cannot give back comes near to all there is. The cache of ZFS that would give "
        "way is counted as free. Of memory no early caution is given unless one is set.",
        look="`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. When it is used up, the kernel "
        "ends a process, which may be a guest.",
        commands=(
            _BIGGEST,
            ("free -h", "what is used, what is cache, what swap holds"),
            ("cat /proc/pressure/memory", "how much of the time tasks wait for memory"),
        ),
        helps="Restart the program that grows, and see whether it grows again. Give a guest less, or move one away. "
        "A smaller limit for ZFS's cache (`zfs_arc_max`) helps where that is what is large.",
        avoid="Do not give guests more than the host has in the hope that they do not use it. Dropping caches by "
        "hand frees nothing that would not have been given back.",
    ),
    RunbookEntry(
        title="Tasks wait for memory, or the kernel killed a program",
        concern=Concern.FAULTY,
        kinds=("memory",),
        about=(("memory", "pressure"), ("memory", "kernel kills"), ("*", "pressure"), ("*", "kernel kills")),
        means="Memory is short now. Under pressure everything gets slow; a kill means that the kernel has ended a "
        "process, which may have been a guest.",
        look="`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. Compare what the guests were "
        "promised with what the host has.",
        commands=(
            _BIGGEST,
            ("journalctl -k --grep='Killed process' -n 5", "what was killed, and how large it was"),
            ("cat /proc/pressure/memory", "how much of the time tasks wait now"),
        ),
        helps="Bring back what was killed, once there is room. Then make room for good: less memory for a guest, one "
        "guest fewer, or more memory in the host.",
        avoid="Do not just start the killed guest again: the next one is killed for it.",
    ),
    RunbookEntry(
        title="A unit failed, or is started again and again",
        concern=Concern.FAULTY,
        kinds=("units",),
        about=(("unit *", "state"),),
        means="systemd has given it up, or it ends each time soon after it was started, or a unit that must be "
        "active is not.",
        look="`systemctl status {name}` shows why it failed, with the end of its log.",
        commands=(
            ("systemctl status {name}", "its state and the end of its log"),
            ("journalctl -u {name} -n 50", "what it said"),
            ("systemctl cat {name}", "how it is started"),
        ),
        helps="Mend what its log says, then `sudo systemctl restart {name}`. What failed once and is no longer "
        "needed leaves the list with `sudo systemctl reset-failed {name}`.",
        avoid="Do not use reset-failed to be rid of the alert before you have read why it failed.",
        example="tide-log.service",
    ),
    RunbookEntry(
        title="Passing units failed",
        concern=Concern.FAULTY,
        kinds=("units",),
        about=(("transient units", "state"),),
        means="Units that something made for one run, such as a job started with `systemd-run`, have failed. They "
        "are told together, since their names do not last.",
        look="`systemctl --failed` shows which they are, and `journalctl -u NAME -n 50` what one of them said.",
        commands=(
            ("systemctl --failed", "which they are"),
            ("journalctl -u NAME -n 50", "what one of them said"),
        ),
        helps="See which program starts them, and mend what their log says. `sudo systemctl reset-failed NAME` takes "
        "one from the list.",
        avoid="Do not take them for nothing: it may be the nightly backup.",
    ),
    RunbookEntry(
        title="Not everything is back after a restart of the host",
        concern=Concern.FAULTY,
        kinds=("after-reboot",),
        about=(("host", "all back after its restart"),),
        means="Guests, services or ports that were there before the restart have not come back within a quarter of "
        "an hour. It is told once for each restart.",
        look="The reason names what is missing. `systemctl --failed` shows what did not start.",
        commands=(
            ("systemctl --failed", "units that did not start"),
            ("journalctl -b -p warning -n 100", "what went wrong since the start"),
            ("uptime -s", "when the host started"),
        ),
        helps="Start what is missing, and let it start by itself the next time (`sudo systemctl enable NAME`; for a "
        "guest, its own way to start with the host).",
        avoid="Do not start everything at once if memory is short.",
    ),
    RunbookEntry(
        title="Tasks wait for disks or processors",
        concern=Concern.FAULTY,
        kinds=("pressure",),
        about=(("host", "pressure on disks"), ("host", "pressure on processors")),
        means="For half an hour tasks have spent most of the time waiting. Everything on the host is slow.",
        look="`top -b -n 1 | head -n 15` shows what works hardest; wa is the share of waiting for disks.",
        commands=(
            ("top -b -n 1 | head -n 15", "what works hardest now"),
            ("cat /proc/pressure/io /proc/pressure/cpu", "how much of the time tasks wait"),
            ("ps -eo pid,stat,wchan:32,comm | grep ' D'", "processes that wait for disks"),
        ),
        helps="Move backups, scrubs and imports apart in time. See whether a disk has become slow.",
        avoid="Do not start more of what is slow.",
    ),
    RunbookEntry(
        title="The host restarted unexpectedly",
        concern=Concern.FAULTY,
        kinds=("restarts",),
        about=(("host", "restarts"),),
        means="The host started again and nothing had shut it down before: a power cut, a crash of the kernel, a "
        "reset by a watchdog or by hand. Twice within a week is a warning.",
        look="`journalctl -b -1 -n 50` shows the last lines before it stopped.",
        commands=(
            ("journalctl --list-boots", "when each boot began and ended"),
            ("journalctl -b -1 -n 50", "the last lines before it stopped; a power cut leaves none about it"),
            ("ls /sys/fs/pstore /var/lib/systemd/pstore", "what the kernel left of a crash"),
        ),
        helps="See whether other devices in the same room lost power as well. If not, look at the temperature, the "
        "memory (a memory test overnight) and the power supply.",
        avoid="Do not open a power supply. Work on a UPS and its batteries is at your own risk.",
    ),
    RunbookEntry(
        title="The clock is not kept in time",
        concern=Concern.FAULTY,
        kinds=("clock",),
        about=(("clock", "synchronised"),),
        means="Nothing sets the host's clock right, or it is further off than the limit. Certificates, timers, logs "
        "of several machines and one-time passwords rely on it.",
        look="`timedatectl` shows whether a time service runs and reaches its servers.",
        commands=(
            ("timedatectl", "whether the clock is synchronised, and by which service"),
            ("timedatectl timesync-status", "with systemd-timesyncd: which server, how far off"),
        ),
        helps="Start the time service (`sudo systemctl enable --now systemd-timesyncd`), and see that it may reach "
        "its server (UDP port 123).",
        avoid="Do not set the clock by hand by much while guests and databases run. After that watchkeeper lets "
        "nothing be rolled up or deleted until the clock has run evenly for a quarter of an hour.",
    ),
    RunbookEntry(
        title="A sensor is too hot, or gone",
        concern=Concern.FAULTY,
        kinds=("temperatures",),
        about=(("sensor *", "temperature"),),
        means="It is above the limit that the hardware itself gives; above its critical one it may switch itself off.",
        look="See whether fans turn and air gets through. `top -b -n 1 | head -n 15` shows what works hardest now.",
        commands=(
            ("grep -H . /sys/class/hwmon/hwmon*/temp*_input", "every sensor, in thousandths of a degree Celsius"),
            ("top -b -n 1 | head -n 15", "what works hardest now"),
        ),
        helps="Dust, a fan that stands still, a cupboard door that was shut, a hot day: look at these in that order. "
        "Until then let the heaviest work wait.",
        avoid="Do not open a power supply. This is not a fire alarm: smoke and heat alarms need their own certified "
        "devices.",
    ),
    RunbookEntry(
        title="A device is not plugged in, or comes and goes",
        concern=Concern.FAULTY,
        kinds=("device",),
        about=(("device *", "plugged in"), ("device *", "steady")),
        means="The device is not there under the name by which it is used, or it keeps going away. What works "
        "through it, such as a radio for lamps, does not.",
        look="See its cable, its power and its port. `journalctl -k --grep=usb -n 50` shows when it went and came.",
        commands=(
            ("ls -l /dev/serial/by-id", "serial adapters by their lasting names"),
            ("journalctl -k --grep=usb -n 50", "when it went, and came"),
        ),
        helps="Plug it in again, into another port or a hub with its own power. If it is there under another name, "
        "name that one where it is used: `/dev/ttyUSB0` changes, `/dev/serial/by-id/...` does not.",
        avoid="Do not blame the program that uses it first: after such a loss many need to be started anew.",
    ),
)
