"""Entries about watchkeeper itself: its probes, its database, and many alerts at once."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

_ONCE = ("watchkeeper probe", "every probe now, with what each one says")
_LOG = ("journalctl -u watchkeeper -n 50", "the daemon's own log")

ENTRIES = (
    RunbookEntry(
        title="A probe could not look",
        concern=Concern.FAULTY,
        about=(("*", "runs"),),
        means="The probe ran, and could not see what it watches at all: a tool or a privilege is missing, a file "
        "cannot be read, a secret is not there. Of what it watches nothing is known meanwhile.",
        look="It could not look; the reason says why. `watchkeeper probe` runs every probe now and prints the same.",
        commands=(_ONCE, ("watchkeeper check-config", "whether the configuration can be used"), _LOG),
        helps="The reason names the remedy: a package to install, the helper to set up, a path to correct.",
        avoid="Do not run the daemon as root to make it work: the helper is there for that.",
    ),
    RunbookEntry(
        title="A probe does not see all",
        concern=Concern.FAULTY,
        about=(("*", "sees all"),),
        means="The probe works, but a part of what it should watch is not to be seen: mostly because the helper is "
        "not installed, or one tool fails.",
        look="The reason says what is missing. `watchkeeper probe` runs every probe now and prints the same.",
        commands=(_ONCE, ("systemctl status watchkeeper-helper.socket", "whether root's side listens"), _LOG),
        helps='Install the helper (README, "The helper for what only root may see"), or take out of the configuration '
        "what needs it.",
        avoid="Do not loosen the unit's protection before you have read which right is missing.",
    ),
    RunbookEntry(
        title="No samples come any more",
        concern=Concern.NOT_REPORTING,
        about=(("*", "*"),),
        means="For three of its intervals a probe has brought nothing, or a thing that it watches is missing from "
        "what it brings. A value on the page is old then, and says so. What stays away for 7 days is let go.",
        look="Its probe brings nothing: a hung mount, a host that does not answer or a missing right. `watchkeeper "
        "probe` runs every probe now and prints what each one says.",
        commands=(_ONCE, ("watchkeeper status", "since when, and what else is stale"), _LOG),
        helps="If the thing was removed on purpose, do nothing: its alert ends as gone for good. Else bring it back, "
        "or mend what hangs.",
        avoid="Do not take silence of the watch for soundness: what is stale is not known to be well.",
    ),
    RunbookEntry(
        title="watchkeeper cannot write its database",
        concern=Concern.FAULTY,
        about=(("watchkeeper", "database"),),
        means="Its own disk is full, or failing. What is found is told all the same, and kept in memory; samples of "
        "this time are lost.",
        look="What is to be told is held in memory and told; samples of this time are lost. `df -h` shows which file "
        "system is full; make room on it, and the watch writes on by itself.",
        commands=(
            ("df -h /var/lib/watchkeeper", "whether there is room where the service keeps it"),
            ("journalctl -k -n 50", "whether the disk is failing"),
        ),
        helps="Make room. It goes on by itself, and the journal says which time is missing.",
        avoid="Do not restart the daemon meanwhile: what was told but is not written down would be told anew.",
    ),
    RunbookEntry(
        title="The database was damaged and set aside",
        concern=Concern.FAULTY,
        kinds=("self-check",),
        about=(("watchkeeper", "database file"),),
        means="At its start the daemon found its database damaged, set it aside, and began a new one with all that "
        "could still be read.",
        look="Look at its disk first, for a database seldom breaks by itself. The reason names the damaged file: "
        "move it away once you need nothing from it.",
        commands=(
            ("sudo smartctl -a /dev/sda", "whether the disk is failing"),
            ("journalctl -k -n 100", "what the kernel met"),
            ("watchkeeper events --entry note --since 1d", "how much was saved"),
        ),
        helps="If a backup holds more than what was left, restore it. Then move the damaged file away: the alarm ends.",
        avoid="Do not delete the damaged file before you know that you need nothing from it.",
    ),
    RunbookEntry(
        title="Damaged rows were moved out of the database",
        concern=Concern.FAULTY,
        kinds=("self-check",),
        about=(("watchkeeper", "stored rows"),),
        means="Single rows of the database no longer match their checksums, or an index or a definition was not as "
        "watchkeeper makes it. They were moved to the table `quarantine`, and the watch goes on with the rest.",
        look="The reason names what was lost. If a message is among it, look at the page: that message may never "
        "have been sent. Then look at the disk and the memory, which change bytes when they fail.",
        commands=(
            ("watchkeeper events --entry note --since 7d", "each row that was moved, and why"),
            ("watchkeeper status", "what is active now, whatever was sent"),
            ("sudo smartctl -a /dev/sda", "whether the disk is failing"),
            ("journalctl -k -n 100", "whether the kernel met errors of disk or memory"),
        ),
        helps="Acknowledge it once you have looked. It ends by itself seven days after the newest damaged row. If more "
        "rows follow, replace the disk or test the memory, and restore a backup.",
        avoid="Do not edit the database by hand: a row that is changed without its checksum counts as damaged.",
    ),
    RunbookEntry(
        title="watchkeeper's database or open files come to their limit",
        concern=Concern.FULL,
        kinds=("self-check",),
        about=(("watchkeeper", "database size"), ("watchkeeper", "open files")),
        means="The database will reach the size that `max_size` under [store] allows; then old samples become hours "
        "sooner than set, and nothing else is lost. Open files that grow are a fault of watchkeeper.",
        look="The database keeps itself below its bound: the oldest samples become hours sooner than set. Raise "
        "`max_size` under [store], or keep less.",
        commands=(
            ("ls -lh /var/lib/watchkeeper", "how large the database is"),
            ("watchkeeper check-config", "how long what is kept, and how large it may get"),
        ),
        helps="Raise `max_size`, keep `samples` for a shorter time, or watch less often (`every`). For open files: "
        "restart the daemon, and keep its log for a report.",
        avoid="Do not delete the database to make it smaller.",
    ),
    RunbookEntry(
        title="watchkeeper is held up",
        concern=Concern.FAULTY,
        kinds=("self-check",),
        about=(("watchkeeper", "event loop"),),
        means="The daemon could not go on for longer than `loop_lag_limit`: the processor or the disk was busy with "
        "something else, or the host was suspended.",
        look="`cat /proc/pressure/cpu /proc/pressure/io` shows how much of the time tasks wait. Look at what else "
        "worked at that time, such as a backup.",
        commands=(
            ("cat /proc/pressure/cpu /proc/pressure/io", "how much of the time tasks wait for processor and disk"),
            ("top -b -n 1 | head -n 15", "what works hardest now"),
        ),
        helps="Mostly it passes with what caused it, such as a backup. If it comes each night, let the job run with "
        "`nice` and `ionice`.",
        avoid="Do not raise the limit before you know what held it up: other services wait as long.",
    ),
    RunbookEntry(
        title="A flood of alerts",
        concern=Concern.FAULTY,
        about=(("alerts", "rate"),),
        means="Ten alerts came within ten minutes. From then on there is one summary, until fewer than five come in "
        "ten minutes; its end names what is still there.",
        look="Many things at once often have one cause: look first at what they share, such as a pool, a guest or "
        "the network. The page shows all of them.",
        commands=(
            ("watchkeeper status", "everything that stands, the most urgent first"),
            ("watchkeeper events --since 1h", "in which order it came: the first one is often the cause"),
        ),
        helps="Look at the first alert of the flood, and at storage, memory and network in this order.",
        avoid="Do not acknowledge all of it unread: what is still there at the end needs you.",
    ),
)

OTHER = (
    RunbookEntry(
        title="Something else fills",
        concern=Concern.FULL,
        kinds=("command",),
        about=(("*", "*"),),
        means="A level that a program of yours or another package watches will reach its capacity at the time that "
        "is told.",
        look="See what has grown in it lately, and what of that can be removed. Enlarge it while there is still room.",
        commands=(("watchkeeper status", "how fast it fills, and since when"),),
        helps="Find what grows. Its history on the page shows when that began.",
        avoid="Do not take the date for certain: it is an estimate, and its interval is part of it.",
    ),
    RunbookEntry(
        title="Something else is overdue",
        concern=Concern.OVERDUE,
        kinds=("command",),
        about=(("*", "*"),),
        means="A time by which something must happen has passed, or comes near, as a program of yours or another "
        "package says.",
        look="`systemctl list-timers --all` shows whether its timer still runs; the log of the job's unit says why "
        "it failed. Take one by hand before the next change.",
        commands=(("systemctl list-timers --all", "whether a timer for it runs, and when it last did"),),
        helps="Do by hand what is overdue, then mend what should have done it.",
        avoid="Do not lengthen the limit to be rid of the alert.",
    ),
    RunbookEntry(
        title="Something else does not answer",
        concern=Concern.NOT_ANSWERING,
        kinds=("command",),
        about=(("*", "*"),),
        means="A program of yours or another package says that what it asked gave no right answer.",
        look="See whether its guest runs and whether others on the same guest or network answer. If they are silent "
        "too, look there first.",
        commands=(_ONCE,),
        helps="Run the program by hand as the daemon's user, and read what it prints.",
        avoid="Do not restart what is silent before you have read its log.",
    ),
    RunbookEntry(
        title="Something else is not sound",
        concern=Concern.FAULTY,
        kinds=("command",),
        about=(("*", "*"),),
        means="A condition that a program of yours or another package watches is not sound. Its reason is the "
        "program's own.",
        look="The reason is what the thing says about itself. See its own log from the time at which it began.",
        commands=(_ONCE,),
        helps="Run the program by hand as the daemon's user, and read what it prints.",
        avoid="Do not change the program so that it says `sound` before you know why it did not.",
    ),
)
"""For alerts that no other entry is for: one for each concern, so that there is always something to look at."""
