"""Examines this host for the probe `coverage`: runs discovery and prints what has to be covered, as JSON.

`python -m watchkeeper.discovery.examine HELPER`. A process of its own: discovery imports every kind of probe, and the
daemon would keep all of that in memory for one minute of work a day.
"""

import asyncio
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from watchkeeper.clock import Clock
from watchkeeper.discovery.coverage import FoundThing, HiddenThing, HostFound
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Proposal
from watchkeeper.discovery.registry import FINDERS, Section, discover
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.sanitize import clip, printable
from watchkeeper.probes.support.workers import ThreadWorkers

THINGS_LIMIT = 500


def examine(helper: Path) -> list[Section]:
    """Run the finders of what has to be covered. helper: the socket of root's helper."""
    workers = ThreadWorkers()
    host = Host(ProbeContext(Clock(), workers), list, helper=helper, ask_web=False)
    try:
        return asyncio.run(discover(host, [each for each in FINDERS if each.kinds]))
    finally:
        workers.close()


def summary(sections: Sequence[Section]) -> HostFound:
    """What has to be covered of what was found: proposals that are in force, and what could not be examined."""
    things = [thing for section in sections for each in section.found.proposals for thing in _things(each)]
    hidden = [
        HiddenThing(
            kinds=section.kinds,
            what=printable(each.what),
            why=clip(f"{each.why.rstrip('.')}. {each.remedy}".rstrip(" ."), 400),
        )
        for section in sections
        for each in section.found.unseen
    ]
    return HostFound(things=tuple(things[:THINGS_LIMIT]), hidden=tuple(hidden[:THINGS_LIMIT]))


def _things(proposal: Proposal) -> Iterator[FoundThing]:
    if proposal.offered:
        return
    value = next((key.value for key in proposal.keys if key.name == "sockets"), ())
    sockets = (
        tuple(printable(str(each)) for each in value) if proposal.kind == "guests" and isinstance(value, tuple) else ()
    )
    for each in proposal.things:
        name, example = clip(each.name, 200), clip(each.example, 100)
        yield FoundThing(kind=proposal.kind, sort=each.sort, name=name, example=example, sockets=sockets)
    if not proposal.things:
        yield FoundThing(kind=proposal.kind, sockets=sockets)


def main() -> None:
    """Examine and print."""
    sys.stdout.write(summary(examine(Path(sys.argv[1]))).model_dump_json())


if __name__ == "__main__":
    main()
