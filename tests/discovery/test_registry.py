"""The whole survey, of an empty host and of this machine as it is."""

from tests.discovery.conftest import NOW, usable
from watchkeeper.clock import Clock
from watchkeeper.discovery.document import Survey, render
from watchkeeper.discovery.finders.listeners import hear
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Found, Key, Proposal
from watchkeeper.discovery.registry import FINDERS, discover, returned
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers


async def test_this_machine_as_it_is(workers: ThreadWorkers) -> None:
    """Whatever is here, the document loads, as it is and with every offer in force."""
    sections = await discover(Host(ProbeContext(Clock(), workers), hear, ask_web=False))
    settings = usable(render(Survey("gannet", NOW, sections)))
    assert {"filesystems", "memory", "self-check"} <= {each.kind for each in settings.probe}
    assert len(sections) == len(FINDERS) + 1


async def test_an_empty_host(unprivileged: Host) -> None:
    """Almost nothing is found, and each kind that was searched for is listed."""
    sections = await discover(unprivileged)
    found = Survey("gannet", NOW, sections).found
    usable(render(Survey("gannet", NOW, sections)))
    assert {each.kind for each in found.proposals} >= {"filesystems", "memory", "self-check", "after-reboot"}
    assert {"ZFS", "LVM", "btrfs", "software RAID", "guests under QEMU"} <= set(found.absent)


def test_the_guests_sockets_are_noted_for_a_restart() -> None:
    """What finds the guests finds them again after a restart."""
    guests = Found((Proposal("guests", (Key("sockets", ("/run/guests/*.qmp",)),)),))
    (proposal,) = returned([Found(), guests]).proposals
    assert proposal.table()["sockets"] == ("/run/guests/*.qmp",)


def test_headings_are_distinct() -> None:
    """Each sort of thing has its own place in the document."""
    assert len({each.heading for each in FINDERS}) == len(FINDERS)
