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
        means="The kernel has moved memory of programs to the disk because memory was short. When swap is full as "
        "well, it kills a process.",
        look="`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. If swap stays full, "
        "guests and programs together need more memory than the host has.",
        commands=(
            _BIGGEST,
            ("swapon --show", "where swap is, and how much is used"),
            ("grep -H VmSwap /proc/[0-9]*/status | sort -k2 -n | tail", "which processes are in swap"),
        ),
        helps="Give the guests less memory, or add memory to the host. Unused pages may stay in swap: a level that "
        "does not change does no harm.",
        avoid="Do not turn swap off (`swapoff`) while memory is short: everything in it must then fit into memory.",
    ),
    RunbookEntry(
        title="Memory fills",
        concern=Concern.FULL,
        kinds=("memory",),
        about=(("memory", "in use"), ("memory", "*")),
        means="Memory that programs hold and cannot release is close to all the memory there is. The part of the ZFS "
        "cache that can be released counts as free. There is no early caution for memory unless you set one.",
        look="`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. When it runs out, the kernel "
        "kills a process, which may be a guest.",
        commands=(
            _BIGGEST,
            ("free -h", "what is used, what is cache, what swap holds"),
            ("cat /proc/pressure/memory", "how much of the time tasks wait for memory"),
        ),
        helps="Restart the program that grows, and see whether it grows again. Give a guest less memory, or move one "
        "to another host. If the ZFS cache is large, a smaller limit (`zfs_arc_max`) helps.",
        avoid="Do not allocate more to guests than the host has and hope that they do not use it. Dropping caches by "
        "hand frees only what the kernel would have released anyway.",
    ),
    RunbookEntry(
        title="Tasks wait for memory, or the kernel killed a program",
        concern=Concern.FAULTY,
        kinds=("memory",),
        about=(("memory", "pressure"), ("memory", "kernel kills"), ("*", "pressure"), ("*", "kernel kills")),
        means="Memory is short now. Under pressure everything becomes slow; a kill means that the kernel has ended a "
        "process, which may have been a guest.",
        look="`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. Compare what is "
        "allocated to the guests with what the host has.",
        commands=(
            _BIGGEST,
            ("journalctl -k --grep='Killed process' -n 5", "what was killed, and how large it was"),
            ("cat /proc/pressure/memory", "how much of the time tasks wait now"),
        ),
        helps="Free some memory, then start what was killed. For a lasting solution give a guest less memory, run one "
        "guest fewer, or add memory to the host.",
        avoid="Do not start the killed guest again while memory is short: the kernel may kill another one.",
    ),
    RunbookEntry(
        title="A unit failed or keeps restarting",
        concern=Concern.FAULTY,
        kinds=("units",),
        about=(("unit *", "state"),),
        means="systemd gave up on it, it ends soon after each start, or a unit that must be active is not.",
        look="`systemctl status {name}` shows why it failed, with the end of its log.",
        commands=(
            ("systemctl status {name}", "its state and the end of its log"),
            ("journalctl -u {name} -n 50", "its log"),
            ("systemctl cat {name}", "how it is started"),
        ),
        helps="Fix what its log reports, then run `sudo systemctl restart {name}`. If it is no longer needed, "
        "`sudo systemctl reset-failed {name}` removes it from the list.",
        avoid="Do not use reset-failed to end the alert before you have read why it failed.",
        example="tide-log.service",
    ),
    RunbookEntry(
        title="Transient units failed",
        concern=Concern.FAULTY,
        kinds=("units",),
        about=(("transient units", "state"),),
        means="Units that were created for one run, such as a job started with `systemd-run`, have failed. They are "
        "reported together, because their names change.",
        look="`systemctl --failed` lists them; `journalctl -u NAME -n 50` shows the log of one.",
        commands=(
            ("systemctl --failed", "the failed units"),
            ("journalctl -u NAME -n 50", "the log of one of them"),
        ),
        helps="Find the program that starts them, and fix what their log reports. `sudo systemctl reset-failed NAME` "
        "removes one from the list.",
        avoid="Do not ignore them: one may be the nightly backup.",
    ),
    RunbookEntry(
        title="Not everything came back after a restart of the host",
        concern=Concern.FAULTY,
        kinds=("after-reboot",),
        about=(("host", "all back after its restart"),),
        means="Guests, services or ports that were there before the restart are still missing a quarter of an hour "
        "after it. There is one alert for each restart.",
        look="The reason names what is missing. `systemctl --failed` shows what did not start.",
        commands=(
            ("systemctl --failed", "units that did not start"),
            ("journalctl -b -p warning -n 100", "what went wrong since the start"),
            ("uptime -s", "when the host started"),
        ),
        helps="Start what is missing, and configure it to start with the host (`sudo systemctl enable NAME`; for a "
        "guest, the setting of its hypervisor).",
        avoid="Do not start everything at once if memory is short.",
    ),
    RunbookEntry(
        title="Tasks wait for disks or processors",
        concern=Concern.FAULTY,
        kinds=("pressure",),
        about=(("host", "pressure on disks"), ("host", "pressure on processors")),
        means="For half an hour tasks have spent most of the time waiting. Everything on the host is slow.",
        look="`top -b -n 1 | head -n 15` shows what uses the most processor time; wa is the share of waiting for "
        "disks.",
        commands=(
            ("top -b -n 1 | head -n 15", "what uses the most processor time now"),
            ("cat /proc/pressure/io /proc/pressure/cpu", "how much of the time tasks wait"),
            ("ps -eo pid,stat,wchan:32,comm | grep ' D'", "processes that wait for disks"),
        ),
        helps="Run backups, scrubs and imports at different times. Check whether a disk has become slow.",
        avoid="Do not start more of what is slow.",
    ),
    RunbookEntry(
        title="The host's open files approach the kernel's limit",
        concern=Concern.FULL,
        kinds=("kernel-tables",),
        about=(("host", "open files"),),
        means="When the limit is reached, only programs of root can open another file or connection. Most services "
        'then fail, with the error "too many open files in system".',
        look="`sudo find /proc/[0-9]*/fd -type l | cut -d/ -f3 | sort | uniq -c | sort -n | tail` shows which "
        "processes have the most files open: the count and the number of the process, the most last.",
        commands=(
            ("sysctl fs.file-nr", "how many are open, how many of these are free (always 0), and the limit"),
            (
                "sudo find /proc/[0-9]*/fd -type l | cut -d/ -f3 | sort | uniq -c | sort -n | tail",
                "open files by process",
            ),
            ("ps -o pid,user,lstart,comm -p NUMBER", "what a process is, and since when it runs"),
        ),
        helps="Restart the program that holds more and more files, and report the fault to its authors. If many "
        "programs need them, raise the limit: `sudo sysctl fs.file-max=N`, and `fs.file-max=N` in a file of "
        "/etc/sysctl.d.",
        avoid="Do not only raise the limit while one program leaks: it will reach the next limit too.",
    ),
    RunbookEntry(
        title="The host's processes and threads approach the kernel's limit",
        concern=Concern.FULL,
        kinds=("kernel-tables",),
        about=(("host", "processes and threads"),),
        means="When the limit is reached, no program can start and none can add a thread: nobody can sign in, and root "
        "cannot either.",
        look="`ps -eo nlwp,pid,user,comm --sort=-nlwp | head` shows which processes have the most threads; if none has "
        "many, `ps -eo comm= | sort | uniq -c | sort -n | tail` shows which program runs most often.",
        commands=(
            ("ps -eo nlwp,pid,user,comm --sort=-nlwp | head", "the processes with the most threads"),
            ("ps -eo comm= | sort | uniq -c | sort -n | tail", "the programs with the most processes"),
            ("ps -eo stat,ppid,comm | grep '^Z'", "processes that have ended and wait for their parent (PPID)"),
            ("sysctl kernel.pid_max kernel.threads-max", "the limits; the lower one counts"),
        ),
        helps="Stop the program that starts them, or the parent of those that have ended. `TasksMax=` in its unit "
        "limits a service.",
        avoid="Do not close the session in which you are signed in: a new one may not be possible.",
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
        helps="Check whether other devices in the same room lost power as well. If not, check the temperature, the "
        "memory (a memory test overnight) and the power supply.",
        avoid="Do not open a power supply. Work on a UPS and its batteries is at your own risk.",
    ),
    RunbookEntry(
        title="The clock is not synchronised",
        concern=Concern.FAULTY,
        kinds=("clock",),
        about=(("clock", "synchronised"),),
        means="No time service corrects the host's clock, or it is off by more than the limit. Certificates, timers, "
        "logs of several machines and one-time passwords depend on it.",
        look="`timedatectl` shows whether a time service is running and reaches its servers.",
        commands=(
            ("timedatectl", "whether the clock is synchronised, and by which service"),
            ("timedatectl timesync-status", "with systemd-timesyncd: which server, and the offset"),
        ),
        helps="Start the time service (`sudo systemctl enable --now systemd-timesyncd`), and check that it can reach "
        "its server (UDP port 123).",
        avoid="Do not change the clock by a large amount by hand while guests and databases run. After such a change "
        "watchkeeper rolls up and deletes no records until the clock has run evenly for a quarter of an hour.",
    ),
    RunbookEntry(
        title="A sensor is too hot or missing",
        concern=Concern.FAULTY,
        kinds=("temperatures",),
        about=(("sensor *", "temperature"),),
        means="It is above the limit that the hardware itself reports. Above its critical limit the hardware may "
        "switch itself off.",
        look="Check that the fans turn and air can flow. `top -b -n 1 | head -n 15` shows what uses the most processor "
        "time now.",
        commands=(
            ("grep -H . /sys/class/hwmon/hwmon*/temp*_input", "every sensor, in thousandths of a degree Celsius"),
            ("top -b -n 1 | head -n 15", "what uses the most processor time now"),
        ),
        helps="Check for dust, a stopped fan, a closed cupboard door and a hot day, in this order. Postpone heavy work "
        "until it is cooler.",
        avoid="Do not open a power supply. This is not a fire alarm: smoke and heat alarms need their own certified "
        "devices.",
    ),
    RunbookEntry(
        title="A device is not plugged in or keeps disconnecting",
        concern=Concern.FAULTY,
        kinds=("device",),
        about=(("device *", "plugged in"), ("device *", "steady")),
        means="The device is missing under the name by which it is used, or it keeps disconnecting. What needs it, "
        "such as the control of lamps by radio, does not work.",
        look="Check its cable, its power and its port. `journalctl -k --grep=usb -n 50` shows when it disconnected.",
        commands=(
            ("ls -l /dev/serial/by-id", "serial adapters by their permanent names"),
            ("journalctl -k --grep=usb -n 50", "when it disconnected and connected"),
        ),
        helps="Plug it into another port or a hub with its own power supply. If it has another name now, use that "
        "name in the configuration: `/dev/ttyUSB0` can change, `/dev/serial/by-id/...` does not.",
        avoid="Do not suspect the program that uses it first: after a disconnection many programs must be restarted.",
    ),
)
