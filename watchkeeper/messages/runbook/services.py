"""Entries about guests and the services on them."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

WRONG_ANSWER = "It answers, but not as expected. Read the service's own log on its guest for that time."
"""The first thing to look at if a service that counts as not answering does answer, but wrongly."""

ENTRIES = (
    RunbookEntry(
        title="A service answers much slower than usual",
        concern=Concern.FAULTY,
        kinds=("http", "tcp", "dns", "ping"),
        about=(("*", "speed"),),
        means="It answers, and for half an hour each answer has taken several times as long as in the last fortnight. "
        "Something that it needs is short: memory, a disk, a processor, or a service behind it.",
        look="See whether its guest or the host waits for disks or memory: `cat /proc/pressure/*` on both.",
        commands=(
            ("cat /proc/pressure/memory /proc/pressure/io /proc/pressure/cpu", "what tasks wait for"),
            ("top -b -n 1 | head -n 15", "what works hardest now"),
        ),
        helps="Compare the parts of the answer's time on its page: a slow name lookup, a slow connection and a slow "
        "first byte have different causes. Restart the service if its memory has grown.",
        avoid="Do not only raise the limit.",
    ),
    RunbookEntry(
        title="Several services stopped answering at once",
        concern=Concern.NOT_ANSWERING,
        about=(("group of services", "answer"), ("group *", "*")),
        means="Two or more services stopped answering within about a minute. They are reported in one message, because "
        "they often have one cause.",
        look="They stopped answering at about the same time: check first what they share, such as their guest, its "
        "pool or the network.",
        commands=(
            ("watchkeeper status", "what else is active: a pool, a guest, memory"),
            ("watchkeeper events --since 1h", "what happened just before"),
            ("ip -brief link", "whether the network's links are up"),
        ),
        helps="Fix what they share. If you know such a dependency in advance, configure it with `depends_on`: then "
        "only the cause sends a message.",
        avoid="Do not restart them one after the other before you have checked what they depend on.",
    ),
    RunbookEntry(
        title="A service does not answer, or answers wrongly",
        concern=Concern.NOT_ANSWERING,
        kinds=("http", "tcp", "dns", "ping"),
        about=(("service *", "answer"), ("host *", "answer"), ("*", "answer")),
        means="It gave no valid answer for three minutes (a warning) or an hour (an alarm). The reason says what "
        "happened instead: refused, no answer in time, a wrong status, an invalid certificate.",
        look="Check whether its guest is running and whether others on the same guest or network answer. If they do "
        "not, start there.",
        commands=(
            ("watchkeeper probe", "runs every probe now and shows the reason"),
            (
                "curl -sv -o /dev/null --max-time 10 https://hide-hub.example.org/",
                "the same request by hand, step by step",
            ),
            ("ss -ltnp", "on its guest: which ports have a listener"),
        ),
        helps="Refused: nothing listens on the port; check the service's unit and log. No answer in time: check its "
        "guest and the network. A wrong status: read its own log. No reply to echo requests: the host is off, its "
        "cable is out, or it does not reply to them.",
        avoid="Do not increase the limits before you know the cause. For a service that needs a minute to start, set "
        "`on_delay`.",
    ),
    RunbookEntry(
        title="A guest is paused, stopped or missing",
        concern=Concern.FAULTY,
        kinds=("guests",),
        about=(("guest *", "state"), ("guest *", "*")),
        means="The guest is not running normally. Paused on an I/O error means that a write to one of its disks "
        "failed, often because the storage below it is full.",
        look="Check the guest's state and the end of its log on the host. If it is paused on an I/O error, check first "
        "whether the storage below it is full.",
        commands=(
            ("watchkeeper status", "whether the pool below it is full"),
            ("watchkeeper probe", "its state now, and which disk has no space"),
            ("journalctl -k -n 50", "whether the kernel killed it because memory was short"),
        ),
        helps="Free some space first, then resume the guest (`cont` at its monitor, or the command of its own tool). "
        "Start a missing one again when you know why it ended.",
        avoid="Do not reset a guest that is paused on an I/O error: once there is space it can continue where it "
        "stopped, and a reset loses what it had not written.",
    ),
    RunbookEntry(
        title="More memory is allocated to guests than the host has",
        concern=Concern.FAULTY,
        kinds=("guests",),
        about=(("guests", "memory allocation"),),
        means="The memory of all guests together is more than `memory_limit` times the host's. If they use it, the "
        "kernel kills one of them.",
        look="`free -h` shows what the host has. More is allocated than that; it works only as long as the guests do "
        "not use all of it.",
        commands=(
            ("free -h", "what the host has, and what is available now"),
            ("watchkeeper probe", "the memory allocated to each guest"),
        ),
        helps="Give less to the guests that use little, or shut one down. If it is intended, raise `memory_limit` of "
        "the probe.",
        avoid="Do not count swap as memory for guests.",
    ),
)
