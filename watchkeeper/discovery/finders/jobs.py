"""Finds where jobs leave their failures: the service managers of users who need not be logged in, and local mail."""

from watchkeeper.discovery.host import HELPER, Host, unseen
from watchkeeper.discovery.proposal import Found, Proposal
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.probes.services.mail_queue import list_queue
from watchkeeper.probes.support.sanitize import clip, printable

LINGER = "var/lib/systemd/linger"
"""A file for each user whose service manager runs without a login: loginctl(1), enable-linger."""

NAMED = 10


async def find_user_units(host: Host) -> Found:
    """The managers of users who need not be logged in."""
    try:
        names = sorted(path.name for path in (host.root / LINGER).iterdir())
    except FileNotFoundError:
        names = []
    except OSError as error:
        return unseen("users with lingering enabled", error)
    if not names:
        return Found(absent=("users with lingering enabled",))
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    users = ", ".join(clip(printable(each), 40) for each in names[:NAMED])
    about = (
        f"Units of users whose service managers run without a login: {users}{more}.",
        f"Needs the helper. {HELPER}.",
    )
    return Found((Proposal("user-units", about=about),))


async def find_mail(host: Host) -> Found:
    """The queue of a local mail server."""
    try:
        waiting = await list_queue(host.bench, host.helper, host.timeout_s)
    except ToolMissing:
        return Found(absent=("a local mail server (Postfix)",))
    except ProbeError as error:
        return unseen("the queue of the local mail server", error)
    about = (f"The queue of the local mail server: {len(waiting) or 'no'} messages wait now.",)
    return Found((Proposal("mail-queue", about=about),))
