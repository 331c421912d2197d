"""Entries about watchkeeper itself: its probes, its database, and many alerts at once."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_PROBE = ("watchkeeper probe", "runs every probe now and shows its result")
_LOG = ("journalctl -u watchkeeper -n 50", "the daemon's own log")

ENTRIES = (
    RunbookEntry(
        title="A probe does not run",
        concern=Concern.FAULTY,
        about=(("*", "runs"),),
        means="The probe could not read anything of what it monitors: a tool or a privilege is missing, a file cannot "
        "be read, a secret does not exist. Until it runs again, the state of what it monitors is unknown.",
        look="The reason says what failed. `watchkeeper probe` runs every probe now and shows the same.",
        commands=(_PROBE, ("watchkeeper check-config", "whether the configuration is valid"), _LOG),
        helps="The reason names the remedy: a package to install, the helper to set up, a path to correct.",
        avoid="Do not run the daemon as root to make it work: the helper is there for that.",
    ),
    RunbookEntry(
        title="A probe cannot see everything",
        concern=Concern.FAULTY,
        about=(("*", "sees all"),),
        means="The probe works, but cannot read a part of what it should monitor. The usual causes: the helper is not "
        "installed, or one tool fails.",
        look="The reason says what is missing. `watchkeeper probe` runs every probe now and shows the same.",
        commands=(_PROBE, ("systemctl status watchkeeper-helper.socket", "whether the helper listens"), _LOG),
        helps="Install the helper (manual: installation), or remove from the configuration what needs it.",
        avoid="Do not weaken the unit's sandbox before you have read which permission is missing.",
    ),
    RunbookEntry(
        title="Something is not reporting",
        concern=Concern.NOT_REPORTING,
        about=(("*", "*"),),
        means="For three of its intervals a probe has delivered nothing, or one thing that it monitors is missing from "
        "its results. The page marks such a value as old. After 7 days it is removed and no longer monitored.",
        look="Its probe delivers no readings of it. `watchkeeper probe` runs every probe now and shows the result of "
        "each. Check for a hung mount, a host that does not answer or a missing permission.",
        commands=(_PROBE, ("watchkeeper status", "since when, and what else is not reporting"), _LOG),
        helps="If it was removed on purpose, do nothing: after 7 days its alert ends. Otherwise bring it back, or fix "
        "what hangs.",
        avoid="Do not assume that it is OK: the state of what does not report is unknown.",
    ),
    RunbookEntry(
        title="watchkeeper cannot write its database",
        concern=Concern.FAULTY,
        about=(("watchkeeper", "database"),),
        means="Its own disk is full or failing. Alerts are still raised and sent, and held in memory; samples of this "
        "time are lost.",
        look="`df -h` shows which file system is full. Free some space on it; watchkeeper then writes again without a "
        "restart. Until then messages are still sent, but samples are lost.",
        commands=(
            ("df -h /var/lib/watchkeeper", "how much space is free where the database is"),
            ("journalctl -k -n 50", "whether the disk is failing"),
        ),
        helps="Free some space. No restart is needed; the event log then shows for which time samples are missing.",
        avoid="Do not restart the daemon before that: notifications that were sent but not recorded would be sent "
        "again.",
    ),
    RunbookEntry(
        title="The database was damaged and set aside",
        concern=Concern.FAULTY,
        kinds=("self-check",),
        about=(("watchkeeper", "database file"),),
        means="At its start the daemon found its database damaged. It moved the damaged file aside and made a new "
        "database from everything that could still be read.",
        look="Check the disk first: a failing disk is the usual cause. The reason names the damaged file; move it away "
        "when you need nothing from it any more.",
        commands=(
            ("sudo smartctl -a /dev/sda", "whether the disk is failing"),
            ("journalctl -k -n 100", "errors that the kernel reports"),
            ("watchkeeper events --entry note --since 1d", "how much was recovered"),
        ),
        helps="If a backup holds more than was recovered, restore it. Then move the damaged file away: the alarm ends.",
        avoid="Do not delete the damaged file before you are sure that you need nothing from it.",
    ),
    RunbookEntry(
        title="The database was deleted, moved or changed while in use",
        concern=Concern.FAULTY,
        kinds=("self-check",),
        about=(("watchkeeper", "database location"),),
        means="Another program deleted, moved, replaced or changed the database of the running daemon. Its content was "
        "still open, and was written to a new file if that was possible; monitoring continues with it.",
        look="The reason names what happened, and the file that is in use now. Find the cause: a clean-up job, a copy "
        "to the wrong place, a backup that was restored while the daemon ran.",
        commands=(
            ("ls -la /var/lib/watchkeeper", "which files are there, and since when"),
            ("watchkeeper events --since 1h", "whether the records go on"),
            ("systemctl list-timers", "what ran at that time"),
        ),
        helps="If something else has the name of the database, stop watchkeeper, move the `.rescued-` file there, and "
        "start it again. Otherwise there is nothing to do: the alert ends by itself.",
        avoid="Do not restart while the reason says that the content cannot be written: it would be lost.",
    ),
    RunbookEntry(
        title="Damaged rows were moved out of the database",
        concern=Concern.FAULTY,
        kinds=("self-check",),
        about=(("watchkeeper", "stored rows"),),
        means="Some rows of the database no longer match their checksums, or an index or a definition is not as "
        "watchkeeper makes it. Damaged rows were moved to the table `quarantine`; monitoring continues with the rest.",
        look="The reason names what was lost. If that includes a message, check the page: the message may never have "
        "been sent. Then test the disk and the memory: both can change bytes when they fail.",
        commands=(
            ("watchkeeper events --entry note --since 7d", "each row that was moved, and why"),
            ("watchkeeper status", "what is active now, whether or not it was sent"),
            ("sudo smartctl -a /dev/sda", "whether the disk is failing"),
            ("journalctl -k -n 100", "errors of disk or memory that the kernel reports"),
        ),
        helps="Acknowledge it after you have looked. The alert ends seven days after the newest damaged row. If more "
        "rows are damaged, replace the disk or the memory, and restore a backup.",
        avoid="Do not edit the database by hand: a row that is changed without its checksum counts as damaged.",
    ),
    RunbookEntry(
        title="watchkeeper's database or open files approach their limit",
        concern=Concern.FULL,
        kinds=("self-check",),
        about=(("watchkeeper", "database size"), ("watchkeeper", "open files")),
        means="The database will reach the size that `max_size` under [store] allows. Then old samples are rolled up "
        "into hours sooner than configured; nothing else is lost. A growing number of open files is a fault of "
        "watchkeeper.",
        look="The database stays below its limit: the oldest samples are rolled up into hours sooner than configured. "
        "Raise `max_size` under [store], or keep less.",
        commands=(
            ("ls -lh /var/lib/watchkeeper", "how large the database is"),
            ("watchkeeper check-config", "how long records are kept, and the size limit"),
        ),
        helps="Raise `max_size`, keep `samples` for a shorter time, or run probes less often (`every`). For open "
        "files: restart the daemon, and save its log for a bug report.",
        avoid="Do not delete the database to make it smaller.",
    ),
    RunbookEntry(
        title="watchkeeper is delayed",
        concern=Concern.FAULTY,
        kinds=("self-check",),
        about=(("watchkeeper", "event loop"),),
        means="The daemon could not continue for longer than `loop_lag_limit`. Usual causes: the processor or the disk "
        "was busy with something else, or the host was suspended.",
        look="`cat /proc/pressure/cpu /proc/pressure/io` shows how much of the time tasks wait. Check what else "
        "ran at that time, such as a backup.",
        commands=(
            ("cat /proc/pressure/cpu /proc/pressure/io", "how much of the time tasks wait for processor and disk"),
            ("top -b -n 1 | head -n 15", "what uses the most processor time now"),
        ),
        helps="If it happens at the same time each night, run the job of that time with `nice` and `ionice`.",
        avoid="Do not raise the limit before you know the cause: other services are delayed as well.",
    ),
    RunbookEntry(
        title="Many alerts at once",
        concern=Concern.FAULTY,
        about=(("alerts", "rate"),),
        means="Ten alerts were raised within ten minutes. Instead of separate messages there is one summary, until "
        "fewer than five are raised in ten minutes. The message at its end lists what is still active.",
        look="Many alerts at once often have one cause: check first what they share, such as a pool, a guest or the "
        "network. This message replaces separate ones; the page shows all alerts.",
        commands=(
            ("watchkeeper status", "all active alerts, the most urgent first"),
            ("watchkeeper events --since 1h", "the order of events: the first one is often the cause"),
        ),
        helps="Check the first alert, then storage, memory and network, in this order.",
        avoid="Do not acknowledge all of them unread: what is still active at the end needs your attention.",
    ),
)

OTHER = (
    RunbookEntry(
        title="Something else fills",
        concern=Concern.FULL,
        kinds=("command",),
        about=(("*", "*"),),
        means="A level that your own program or another package monitors is expected to reach its capacity at the time "
        "shown.",
        look="Check what has grown in it recently, and what of that can be removed. Enlarge it while there is still "
        "free space.",
        commands=(("watchkeeper status", "how fast it fills, and since when"),),
        helps="Find what grows. Its history on the page shows when that began.",
        avoid="Do not treat the date as certain: it is an estimate, and its range is part of it.",
    ),
    RunbookEntry(
        title="Something else is overdue",
        concern=Concern.OVERDUE,
        kinds=("command",),
        about=(("*", "*"),),
        means="A time by which something must happen has passed or is near, as your own program or another package "
        "reports.",
        look="`systemctl list-timers --all` shows whether its timer is active; the log of the job's unit shows how "
        "the last run ended.",
        commands=(("systemctl list-timers --all", "whether a timer for it is active, and when it last ran"),),
        helps="Do by hand what is overdue, then fix what should have done it.",
        avoid="Do not increase the limit just to end the alert.",
    ),
    RunbookEntry(
        title="Something else does not answer",
        concern=Concern.NOT_ANSWERING,
        kinds=("command",),
        about=(("*", "*"),),
        means="Your own program or another package reports that it got no valid answer.",
        look="Check whether its guest is running and whether others on the same guest or network answer. If they do "
        "not, start there.",
        commands=(_PROBE,),
        helps="Run the program by hand as the daemon's user, and read what it prints.",
        avoid="Do not restart what does not answer before you have read its log.",
    ),
    RunbookEntry(
        title="Something else is faulty",
        concern=Concern.FAULTY,
        kinds=("command",),
        about=(("*", "*"),),
        means="Your own program or another package reports a fault. The reason is in that program's words.",
        look="Read the reason, then the log of what is faulty, from the time at which it began.",
        commands=(_PROBE,),
        helps="Run the program by hand as the daemon's user, and read what it prints.",
        avoid="Do not change the program so that it reports OK before you know why it did not.",
    ),
)
"""For alerts that no other entry is for: one for each concern, so that there is always a first step."""
