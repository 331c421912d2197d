"""Entries about snapshots, backups and jobs that check in."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_SETS = ("snapshots", "zfs-snapshots", "lvm-snapshots", "btrfs-snapshots")
_TIMERS = (
    "`systemctl list-timers --all` shows whether its timer still runs; the log of the job's unit says why it failed. "
    "Take one by hand before the next change."
)

OVERDUE = (
    RunbookEntry(
        title="A snapshot or backup is overdue",
        concern=Concern.OVERDUE,
        kinds=_SETS,
        about=(("snapshots of *", "newest"), ("snapshots of *", "*")),
        means="No new one has come within the time that you set. Nothing is broken yet: what you would roll back to "
        "is older than you think.",
        look=_TIMERS,
        commands=(
            ("systemctl list-timers --all", "whether the timer runs, and when it last did"),
            ("systemctl --failed", "whether the job's unit failed"),
            ("journalctl -u JOB.service -n 50", "why"),
            ("zfs list -t snapshot -o name,creation -s creation | tail", "ZFS: the newest ones"),
        ),
        helps="The usual causes: a timer that an upgrade switched off, a full target, a key that ran out, a name "
        "that was changed so that the pattern no longer fits. Run the job by hand and read what it says.",
        avoid="Do not begin an upgrade until a new one is there. A snapshot on the same pool is not a backup.",
    ),
    RunbookEntry(
        title="A job has not checked in",
        concern=Concern.OVERDUE,
        kinds=("job",),
        about=(("job *", "check-in"), ("*", "check-in")),
        means="The job has not said in time that it ran to its end. It may not have started, hang, or have lost its "
        "way to this host.",
        look="See on the job's own machine whether its timer still runs, and how its log ends.",
        commands=(
            ("systemctl list-timers --all", "on the job's machine: when it last ran, and runs next"),
            ("journalctl -u JOB.service -n 50", "how its log ends"),
            ("watchkeeper events --subject {name}", "on this host: when it checked in"),
        ),
        helps="Run the job by hand, with the check-in behind it as the timer has it.",
        avoid="Do not send the check-in by hand to be rid of the alert: then nobody watches the job.",
        example="nightly-backup",
    ),
    RunbookEntry(
        title="A certificate runs out",
        concern=Concern.OVERDUE,
        kinds=("http",),
        about=(("service *", "certificate"), ("*", "certificate")),
        means="The service's certificate runs out at the time that is told. Browsers and programs refuse it from "
        "then on.",
        look="`systemctl list-timers --all` shows whether its renewal still runs. After renewing, reload the service "
        "so that it serves the new certificate.",
        commands=(
            ("systemctl list-timers --all", "whether a timer renews it, and when it last ran"),
            (
                "openssl s_client -connect hide-hub.test:443 </dev/null 2>/dev/null | openssl x509 -noout -dates",
                "what the service really serves",
            ),
        ),
        helps="Run the renewal by hand and read what it says: mostly the name no longer leads here, or a port is "
        "closed. Reload the service afterwards: many keep the old certificate in memory.",
        avoid="Do not switch `verify` off: then nobody tells you the next time.",
    ),
)

AT_FAULT = (
    RunbookEntry(
        title="An old snapshot is still there",
        concern=Concern.FAULTY,
        kinds=_SETS,
        about=(("snapshots of *", "oldest"), ("*", "oldest")),
        means="It is older than the `oldest_limit` that you set, and holds all that was deleted or overwritten since.",
        look="It still holds all that was deleted since. Remove it if nothing will be rolled back to it.",
        commands=(("watchkeeper reclaim", "what deleting it would free"),),
        helps="Remove it with the store's own tool, when you are sure that nothing will be rolled back to it.",
        avoid="Do not keep a snapshot for want of a backup. Do not delete a set's newest one by mistake: read the "
        "name twice.",
    ),
    RunbookEntry(
        title="What snapshots are taken of is not there",
        concern=Concern.FAULTY,
        kinds=("zfs-snapshots", "lvm-snapshots", "btrfs-snapshots"),
        about=(("snapshots of *", "there"), ("*", "there")),
        means="The dataset, volume or file system that the probe names is gone or was renamed, and with "
        "it its snapshots.",
        look="It is gone or was renamed. `watchkeeper discover --diff` shows what has appeared and what the "
        "configuration names that is gone.",
        commands=(
            (
                "watchkeeper discover --diff",
                "what has appeared on the host, and what the configuration names that is gone",
            ),
            ("watchkeeper probe", "what the probe says now"),
        ),
        helps="Correct the name in its [[probe]], or bring back what was named so.",
        avoid="Do not take the probe away before you know why nothing is there.",
    ),
    RunbookEntry(
        title="A job says that it failed",
        concern=Concern.FAULTY,
        kinds=("job",),
        about=(("job *", "result"),),
        means="The job ran, and checked in with `--failed`. What it said stands in the reason.",
        look="What it said is the reason. See on the job's own machine how its log ends, and run it again by hand.",
        commands=(("journalctl -u JOB.service -n 50", "on the job's machine: how its log ends"),),
        helps="Mend what it says, and run it again by hand: its next good check-in ends the alert.",
        avoid="Do not wait for the next night if the failed job is the backup.",
    ),
)
