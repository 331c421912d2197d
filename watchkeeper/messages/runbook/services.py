"""Entries about guests and the services on them."""

from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.model.alert import Concern

WRONG_ANSWER = "It answers, but not as it should. See the service's own log on its guest for what it says at that time."
"""The first thing to look at if a service that counts as not answering does answer, but wrongly."""

ENTRIES = (
    RunbookEntry(
        title="Several services fell silent at once",
        concern=Concern.NOT_ANSWERING,
        about=(("group of services", "answer"), ("group *", "*")),
        means="Two or more answers were lost within about a minute. They are one message, because they mostly have "
        "one cause.",
        look="They were lost at about the same time: look first at what they share, such as their guest, the pool "
        "beneath it or the network.",
        commands=(
            ("watchkeeper status", "what else stands: a pool, a guest, memory"),
            ("watchkeeper events --since 1h", "what happened just before"),
            ("ip -brief link", "whether the network's links are up"),
        ),
        helps="Mend what they share. If that is known beforehand, say it with `depends_on`: then the cause is told, "
        "and the rest is held beneath it.",
        avoid="Do not restart them one after the other before you have looked at what is beneath them.",
    ),
    RunbookEntry(
        title="A service is silent, or answers wrongly",
        concern=Concern.NOT_ANSWERING,
        kinds=("http", "tcp", "dns", "ping"),
        about=(("service *", "answer"), ("host *", "answer"), ("*", "answer")),
        means="It gave no right answer for three minutes (a warning) or an hour (an alarm). The reason says what "
        "came instead: refused, no answer in time, a wrong status, a certificate that does not fit.",
        look="See whether its guest runs and whether others on the same guest or network answer. If they are silent "
        "too, look there first.",
        commands=(
            ("watchkeeper probe", "every probe now, with its reason"),
            ("curl -sv -o /dev/null --max-time 10 https://hide-hub.example.org/", "the same by hand, step by step"),
            ("ss -ltnp", "on its guest: which ports have a listener"),
        ),
        helps="Refused: the service is not running; see its unit and its log. No answer in time: its guest or the "
        "network is in trouble. A wrong status: its own log says why. No reply to echo: the host is off, its cable "
        "is out, or it does not answer such requests.",
        avoid="Do not lengthen the limits before you know why. A service that needs a minute to start may well have "
        "an `on_delay`.",
    ),
    RunbookEntry(
        title="A guest is paused, stopped or gone",
        concern=Concern.FAULTY,
        kinds=("guests",),
        about=(("guest *", "state"), ("guest *", "*")),
        means="The guest does not run as it should. Paused on an I/O error means that one of its disks found no "
        "space: the storage beneath it is full.",
        look="See the guest's state and the end of its log on the host. A guest that stands still on an I/O error "
        "often means that the storage beneath it is full.",
        commands=(
            ("watchkeeper status", "whether the pool beneath it is full"),
            ("watchkeeper probe", "its state now, and which disk found no space"),
            ("journalctl -k -n 50", "whether the kernel killed it for want of memory"),
        ),
        helps="Make room first, then let the guest go on (`cont` at its monitor, or its own tool's word for "
        "resuming). One that is gone is started again, once you know why it ended.",
        avoid="Do not reset a guest that is paused on an I/O error: it goes on where it was as soon as there is "
        "room, and a reset loses what it had not written.",
    ),
    RunbookEntry(
        title="Guests are promised more memory than there is",
        concern=Concern.FAULTY,
        kinds=("guests",),
        about=(("guests", "memory promised"),),
        means="The memory of all guests together is more than `memory_limit` times the host's. It is well until they "
        "ask for it; then the kernel ends one of them.",
        look="Together they were promised more than there is, which is well as long as they do not all ask for it. "
        "`free -h` shows what the host has.",
        commands=(
            ("free -h", "what the host has, and what is available now"),
            ("watchkeeper probe", "each guest, and what they are promised"),
        ),
        helps="Give the guests that use little less, or end one. If it is meant, raise `memory_limit` under the probe.",
        avoid="Do not count swap as memory for guests.",
    ),
)
