"""Proposes the probes of the host's software, and says which release this is and when its support ends."""

from functools import partial

from watchkeeper.discovery.host import HELPER, Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Deadline
from watchkeeper.probes.software import apt, system
from watchkeeper.probes.software.support_end import Support
from watchkeeper.probes.support.sanitize import printable

WHAT = "Security updates that wait, restarts that are due, the newest kernel, and the end of the release's support."


async def find(host: Host) -> Found:
    """The software of the host; nothing where neither the release nor its packages can be told."""
    try:
        look = partial(system.observe_support, host.root, Support.REGULAR)
        support = await host.bench.workers.call("the release", look, host.timeout_s)
        has_dpkg = await host.bench.workers.call("dpkg", (host.root / apt.STATUS).exists, host.timeout_s)
    except (ProbeError, OSError) as error:
        return unseen("the host's software", error)
    if not isinstance(support, Deadline):
        if not has_dpkg and not (host.root / "etc/os-release").exists():
            return Found(absent=("a release that is known (/etc/os-release)",))
        return Found((Proposal("software", about=(WHAT, f"{printable(support.what)}: {printable(support.why)}.")),))
    facts = dict(support.facts)
    ends = ", ".join(f"{name} {value}" for name, value in facts.items() if name.endswith("support"))
    about = (WHAT, f"{printable(facts['release'])}: {ends}.")
    why = "If you rely on long-term support."
    keys = (Key("support", "long", why, offered=True),) if "long support" in facts else ()
    return Found((Proposal("software", keys, about),))


async def find_old_libraries(host: Host) -> Found:
    """Services that run what an update has replaced: where systemd runs them. None is looked at here."""
    if not (host.root / "run/systemd/system").is_dir():
        return Found()
    about = ("Services that run libraries or programs that an update has replaced.", f"Needs the helper. {HELPER}.")
    return Found((Proposal("old-libraries", about=about),))
