"""Entries about snapshots, backups and jobs that report."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_SETS = ("snapshots", "zfs-snapshots", "lvm-snapshots", "btrfs-snapshots")
_TIMERS = (
    "`systemctl list-timers --all` shows whether its timer is active; the log of the job's unit shows how the last run "
    "ended. Make one by hand before the next change."
)

OVERDUE = (
    RunbookEntry(
        title="A snapshot or backup is overdue",
        concern=Concern.OVERDUE,
        kinds=_SETS,
        about=(("snapshots of *", "newest"), ("snapshots of *", "*")),
        means="There is no new one within the time that you set. What you would roll back to is older than you expect.",
        look=_TIMERS,
        commands=(
            ("systemctl list-timers --all", "whether the timer is active, and when it last ran"),
            ("systemctl --failed", "whether the job's unit failed"),
            ("journalctl -u JOB.service -n 50", "why"),
            ("zfs list -t snapshot -o name,creation -s creation | tail", "ZFS: the newest ones"),
        ),
        helps="The usual causes: a timer that an upgrade disabled, a full target, an expired key, a changed name that "
        "the pattern no longer matches. Run the job by hand and read its output.",
        avoid="Do not start an upgrade until there is a new one. A snapshot on the same pool is not a backup.",
    ),
    RunbookEntry(
        title="A job has not reported",
        concern=Concern.OVERDUE,
        kinds=("job",),
        about=(("job *", "report"), ("*", "report")),
        means="The job did not report in time that it ran. It may not have started, it may hang, or its report does "
        "not reach this host.",
        look="Check on the job's own machine whether its timer is active, and how its log ends.",
        commands=(
            ("systemctl list-timers --all", "on the job's machine: when it last ran and runs next"),
            ("journalctl -u JOB.service -n 50", "how its log ends"),
            ("watchkeeper events --subject {name}", "on this host: when it reported"),
        ),
        helps="Run the job by hand, followed by its report, as the timer does.",
        avoid="Do not send the report by hand to end the alert: then nobody notices that the job does not run.",
        example="nightly-backup",
    ),
    RunbookEntry(
        title="A certificate expires",
        concern=Concern.OVERDUE,
        kinds=("http",),
        about=(("service *", "certificate"), ("*", "certificate")),
        means="The service's certificate expires at the time shown. Browsers and programs refuse it from then on.",
        look="`systemctl list-timers --all` shows whether its renewal is active. After renewing, reload the service so "
        "that it serves the new certificate.",
        commands=(
            ("systemctl list-timers --all", "whether a timer renews it, and when it last ran"),
            (
                "openssl s_client -connect hide-hub.test:443 </dev/null 2>/dev/null | openssl x509 -noout -dates",
                "what the service serves now",
            ),
        ),
        helps="Run the renewal by hand and read its output. Usual causes: the name no longer points here, or a port is "
        "closed. Reload the service afterwards: many keep the old certificate in memory.",
        avoid="Do not turn `verify` off: then you get no message the next time.",
    ),
)

AT_FAULT = (
    RunbookEntry(
        title="A snapshot is too old",
        concern=Concern.FAULTY,
        kinds=_SETS,
        about=(("snapshots of *", "oldest"), ("*", "oldest")),
        means="It is older than the `oldest_limit` that you set, and holds everything that was deleted or overwritten "
        "since.",
        look="It still holds everything that was deleted since. Remove it if you will not roll back to it.",
        commands=(("watchkeeper reclaim", "what deleting it would free"),),
        helps="Remove it with the storage's own tool, when you are sure that you will not roll back to it.",
        avoid="Do not keep a snapshot in place of a backup. Read the name twice, so that you do not delete the newest "
        "one.",
    ),
    RunbookEntry(
        title="What the snapshots are of is missing",
        concern=Concern.FAULTY,
        kinds=("zfs-snapshots", "lvm-snapshots", "btrfs-snapshots"),
        about=(("snapshots of *", "there"), ("*", "there")),
        means="The dataset, volume or file system that the probe names was removed or renamed, and "
        "its snapshots with it.",
        look="It was removed or renamed. `watchkeeper discover --diff` shows what is new on the host and what is "
        "missing.",
        commands=(
            (
                "watchkeeper discover --diff",
                "what is new on the host, and what the configuration names but is missing",
            ),
            ("watchkeeper probe", "what the probe reports now"),
        ),
        helps="Correct the name in its [[probe]], or restore what had that name.",
        avoid="Do not remove the probe before you know why it is missing.",
    ),
    RunbookEntry(
        title="A job reported that it failed",
        concern=Concern.FAULTY,
        kinds=("job",),
        about=(("job *", "result"),),
        means="The job ran and reported `--failed`. The reason is the job's own message.",
        look="Check on the job's own machine how its log ends. Fix the cause and run the job again by hand.",
        commands=(("journalctl -u JOB.service -n 50", "on the job's machine: how its log ends"),),
        helps="Fix what it reports, and run it again by hand: its next successful report ends the alert.",
        avoid="Do not wait until the next night if the failed job is the backup.",
    ),
)
