"""Finds containers: engines by their sockets, LXC and systemd-nspawn by their control groups."""

from watchkeeper.discovery.host import HELPER, Host, unseen
from watchkeeper.discovery.proposal import Found, Key, Proposal, Unseen, things
from watchkeeper.discovery.toml import writable
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition
from watchkeeper.model.observation import Unseen as NotLookedAt
from watchkeeper.privileged.commands import ENGINES
from watchkeeper.probes.containers.containers import ContainersProbe, ContainersSettings


async def find(host: Host) -> Found:
    """Every container, as its probe sees it."""
    engines = tuple(str(host.root / path.lstrip("/")) for path in ENGINES)
    settings = ContainersSettings(engines=engines, helper=host.helper, timeout=host.timeout_s)
    try:
        seen = await ContainersProbe(settings, host.bench, host.root).observe()
    except (ProbeError, OSError) as error:
        return unseen("containers", error)
    blind = tuple(Unseen(each.what, each.why, HELPER) for each in seen if isinstance(each, NotLookedAt))
    found = [each for each in seen if isinstance(each, Condition) and each.key.quantity == "state"]
    if not found and not blind:
        return Found(absent=("containers",), looked=frozenset({"container"}))
    names = [each.key.subject.removeprefix("container ") for each in found]
    looked = frozenset() if blind else frozenset({"container"})
    return Found(_proposals(found), blind, there=frozenset(things("container", names)), looked=looked)


def _proposals(found: list[Condition]) -> tuple[Proposal, ...]:
    if not found:
        return ()
    running = [each for each in found if not each.reason and dict(each.facts).get("state", "running") == "running"]
    names = sorted(each.key.subject.removeprefix("container ") for each in running)
    about = ["Containers: does each run, is it healthy, and how near is it to its limits?"]
    about += [f"- {each.key.subject.removeprefix('container ')}: {each.reason or 'OK'}" for each in found]
    why = "These run now. Remove those that may be off."
    keys = (Key("expected", tuple(name for name in names if writable(name)), why),) if names else ()
    return (Proposal("containers", keys, tuple(about), things=things("container", names)),)
