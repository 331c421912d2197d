"""Entries about units of systemd between two looks: services that restart or hang, timers that do not run."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

ENTRIES = (
    RunbookEntry(
        title="A service restarts again and again, or does not end",
        concern=Concern.FAULTY,
        kinds=("services",),
        about=(("unit *", "runs"),),
        means="systemd had to restart the service several times, or a one-shot runs for much longer than it ever did. "
        "At a single look such a service seems active.",
        look="`journalctl -u {name} -n 100` shows what it says before it ends, or what it waits for.",
        commands=(
            ("systemctl status {name}", "its state, its processes and its last lines"),
            ("journalctl -u {name} -n 100", "what it said"),
            ("systemctl show {name} -p NRestarts,Restart,RestartUSec", "how often, and by which rule"),
        ),
        helps="Repair what its log names, often a missing file, a full disk or a service that it needs. Set "
        "TimeoutStartSec= for a one-shot that must not hang.",
        avoid="Do not hide the restarts with a longer RestartSec=.",
        example="tide-log.service",
    ),
    RunbookEntry(
        title="The services of systemd are not listed",
        concern=Concern.FAULTY,
        kinds=("services",),
        about=(("services of systemd", "listed"),),
        means="systemd did not list its services, so restarts between two looks are not seen.",
        look="`systemctl list-units --type=service` shows whether systemd answers.",
        commands=(("systemctl list-units --type=service", "whether systemd answers"),),
        helps="See whether the host is short of memory or its system bus has stopped.",
        avoid="Do not restart systemd's own services one by one.",
    ),
    RunbookEntry(
        title="Units of a user have failed",
        concern=Concern.FAULTY,
        kinds=("user-units",),
        about=(("user *", "units"),),
        means="Services that this user's own service manager runs, such as rootless containers, have failed.",
        look="`sudo systemctl --user --machine={name}@ --failed` lists them.",
        commands=(
            ("sudo systemctl --user --machine={name}@ --failed", "which units have failed"),
            ("sudo journalctl _SYSTEMD_OWNER_UID=$(id -u {name}) -n 100", "what they said"),
        ),
        helps="Repair what the log names, then start the unit again as that user.",
        avoid="Do not start the unit as root: its files would belong to root afterwards.",
        example="warden",
    ),
    RunbookEntry(
        title="Local mail does not leave",
        concern=Concern.FAULTY,
        kinds=("mail-queue",),
        about=(("mail queue", "leaving"),),
        means="The local mail server cannot deliver. What cron jobs and programs report by mail reaches nobody.",
        look="`postqueue -p` shows which messages wait, and why.",
        commands=(
            ("postqueue -p", "the waiting messages and the reason of each delay"),
            ("sudo journalctl -u 'postfix*' -n 50", "what the mail server says"),
        ),
        helps="Repair the way to the next mail server (its name, port, password), then `sudo postqueue -f`.",
        avoid="Do not delete the queue before you have read what waits in it.",
    ),
    RunbookEntry(
        title="A timer has not run",
        concern=Concern.OVERDUE,
        kinds=("timers",),
        about=(("timer *", "last run"),),
        means="The timer has missed two of its periods: it was stopped or disabled, its job still runs since the last "
        "time, or the host was off.",
        look="`systemctl status {name}.timer` shows when it runs next, and whether it is active.",
        commands=(
            ("systemctl list-timers --all", "every timer with its last and next run"),
            ("systemctl status {name}.timer", "whether it is active"),
            ("journalctl -u {name}.service -n 50", "what its job did last"),
        ),
        helps="Start it again with `sudo systemctl enable --now {name}.timer`. End a job that hangs. If the timer is "
        "no longer wanted, name it under exclude.",
        avoid="Do not only start the job by hand: the next run would be missing again.",
        example="nightly-backup",
    ),
)
