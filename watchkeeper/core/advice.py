"""What to look at first, for each concern and the quantities that probes bring: one or two concrete sentences.

Commands stand in backticks and are safe to paste: a path is quoted, and left out where it holds signs that no line
should hold. What may live here: sentences, chosen by concern, quantity and the first words of the subject. Not here:
durations and instants (wording.py), and anything that looks at the host.
"""

import shlex
from typing import assert_never

from watchkeeper.core.alerts import Concern
from watchkeeper.core.observation import Answer, Observation, SeriesKey

_FULL = {
    "metadata": "Metadata runs out on its own, with space still free. Enlarge it, or remove snapshots, in time.",
    "endurance": "The drive counts its own wear. Plan its replacement, and see that a tested backup exists.",
    "swap": "`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. "
    "Swap that stays full means that the guests together want more memory than the host has.",
    "memory": "`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. "
    "When it is used up, the kernel ends a process, which may be a guest.",
    "pool": "Snapshots still hold what was deleted: list them by size and remove those that no upgrade needs any more. "
    "Then see which guest's disk has grown.",
}
_OVERDUE = {
    "certificate": "`systemctl list-timers --all` shows whether its renewal still runs. "
    "After renewing, reload the service so that it serves the new certificate.",
    "scrub": "`systemctl list-timers --all` shows whether its timer still runs. "
    "Start one by hand at a quiet time: it reads everything, and may take hours.",
    "check-in": "See on the job's own machine whether its timer still runs, and how its log ends.",
}
_PRESSED = (
    "`ps -eo rss,comm --sort=-rss | head` shows what holds the most memory. "
    "Compare what the guests were promised with what the host has."
)
_UNSOUND = {
    "oldest": "It still holds all that was deleted since. Remove it if nothing will be rolled back to it.",
    "pressure": _PRESSED,
    "kills": _PRESSED,
    "promised": "Together they were promised more than there is, which is well as long as they do not all ask for it. "
    "Leave room for that, or enlarge it.",
    "writable": "`journalctl -k -n 50` shows what the kernel met before it stopped writing. "
    "See that a backup exists before anything is repaired.",
    "answers": "It is mounted and does not answer: see whether what it comes from, a disk or another host, still does.",
    "database": "What is to be told is held in memory and told; samples of this time are lost. "
    "`df -h` shows which file system is full; make room on it, and the watch writes on by itself.",
    "rate": "Many things at once often have one cause: look first at what they share, such as a pool, a guest or the "
    "network. The page shows all of them.",
    "synchronised": "`timedatectl` shows whether a time service runs and reaches its servers.",
    "guest": "See the guest's state and the end of its log on the host. "
    "A guest that stands still on an I/O error often means that the storage beneath it is full.",
    "pool": "See which of its disks is missing or counts errors, and that a backup exists, before changing anything.",
}
_SEVERAL = (
    "They were lost at about the same time: look first at what they share, such as their guest, the pool beneath it or "
    "the network."
)
_TIMERS = (
    "`systemctl list-timers --all` shows whether its timer still runs; the log of the job's unit says why it failed. "
    "Take one by hand before the next change."
)
_STALE = (
    "Its probe brings nothing: a hung mount, a host that does not answer or a missing right. "
    "`watchkeeper once` runs every probe now and prints what each one says."
)


def what_to_look_at(concern: Concern, key: SeriesKey, seen: Observation | None) -> str:
    """One or two sentences that name the first thing to look at, with the command that shows it where there is one."""
    match concern:
        case Concern.FULL:
            return _full(key)
        case Concern.OVERDUE:
            return _OVERDUE.get(key.quantity, _TIMERS)
        case Concern.SILENT if key.subject.startswith("group "):
            return _SEVERAL
        case Concern.SILENT:
            return _silent(seen)
        case Concern.UNSOUND:
            return _unsound(key)
        case Concern.STALE:
            return _STALE
        case _:
            assert_never(concern)


def _full(key: SeriesKey) -> str:
    if key.subject.startswith("file system ") and key.quantity in {"space", "inodes", "data"}:
        return _directories(key)
    for word in _words(key):
        if word in _FULL:
            return _FULL[word]
    return "See what has grown in it lately, and what of that can be removed. Enlarge it while there is still room."


def _directories(key: SeriesKey) -> str:
    path = key.subject.removeprefix("file system ")
    place = shlex.quote(path) if path.isprintable() else "."
    if key.quantity == "inodes":
        return f"`du -x --inodes --max-depth=1 {place} | sort -n` shows where the many small files are, the most last."
    return (
        f"`du -x --max-depth=1 {place} | sort -n` shows the largest directories, the largest last. "
        "Snapshots still hold what was deleted: removing files alone may free nothing."
    )


def _silent(seen: Observation | None) -> str:
    if isinstance(seen, Answer) and seen.took_s is not None:
        return "It answers, but not as it should. See the service's own log on its guest for what it says at that time."
    return (
        "See whether its guest runs and whether others on the same guest or network answer. "
        "If they are silent too, look there first."
    )


def _unsound(key: SeriesKey) -> str:
    if key.quantity == "runs":
        return "It could not look; the reason says why. `watchkeeper once` runs every probe now and prints the same."
    kind, _, name = key.subject.partition(" ")
    if kind == "unit" and name.isprintable():
        return f"`systemctl status {shlex.quote(name)}` shows why it failed, with the end of its log."
    for word in _words(key):
        if word in _UNSOUND:
            return _UNSOUND[word]
    return "The reason is what the thing says about itself. See its own log from the time at which it began."


def _words(key: SeriesKey) -> tuple[str, ...]:
    """What may say which kind of thing it is: the words of the quantity first, then the subject's first word."""
    return (*key.quantity.split(), key.subject.partition(" ")[0])
