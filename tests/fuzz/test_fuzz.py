"""Every parser of foreign bytes, fed with harmed input: it returns something, or raises an error of ours.

The corpus is in `corpus/`, one folder for each parser: real or recorded input, and what once failed. In a run of all
tests each parser gets some hundred inputs, drawn by Hypothesis. `FUZZ_S=600 nice pytest tests/fuzz` gives each of them
ten minutes with another seed (`FUZZ_SEED`), and prints how many that were.
"""

import os
import sys
from collections.abc import Callable, Sequence
from ipaddress import ip_interface
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from watchkeeper.clock import Clock
from watchkeeper.config import loading
from watchkeeper.errors import WatchkeeperError
from watchkeeper.privileged.guests import libvirt_agent
from watchkeeper.privileged.protocol import HelperError, parse_reply
from watchkeeper.probes.containers import engine
from watchkeeper.probes.guests import qmp
from watchkeeper.probes.guests.agents import agent, volumes
from watchkeeper.probes.guests.agents.addresses import usable
from watchkeeper.probes.guests.agents.consoles import understand as understand_console
from watchkeeper.probes.guests.libvirt import block_errors, domains, understand
from watchkeeper.probes.host import inotify
from watchkeeper.probes.host.kernel_messages import fault_of
from watchkeeper.probes.power import ups_protocol
from watchkeeper.probes.programs import output
from watchkeeper.probes.services import dns_message, mail_queue
from watchkeeper.probes.services.certificate_files import read_chain
from watchkeeper.probes.services.dns_message import BadAnswer, Question
from watchkeeper.probes.services.tls import read_certificate
from watchkeeper.probes.software import apt, old_libraries, support_end
from watchkeeper.probes.storage import mapped_devices
from watchkeeper.probes.storage.btrfs import tables as btrfs
from watchkeeper.probes.storage.lvm import tables as lvm
from watchkeeper.probes.storage.smart import disks as smart
from watchkeeper.probes.storage.zfs import classes
from watchkeeper.probes.storage.zfs import tables as zfs
from watchkeeper.store.recovery.kept_aside import COMMIT
from watchkeeper.store.rows.codec import ALERT, MESSAGE

# The library warns of certificates that it still accepts; that is no error of the parser.
pytestmark = pytest.mark.filterwarnings("ignore::cryptography.utils.CryptographyDeprecationWarning")

CORPUS = Path(__file__).parent / "corpus"
FUZZ_S = float(os.environ.get("FUZZ_S", "0"))
FUZZ_SEED = int(os.environ.get("FUZZ_SEED", "1"))
MOST_HARMS = 8
LONGEST = 64 * 1024
TOKENS = (b"\0", b"\xff", b'"', b"\\", b"\n", b"[", b"{", b"}", b"-1", b"1e999", b"NaN", b"null", b"\\ud800", b"9" * 30)
"""What parsers are careless about."""

QUESTION = Question(0x1234, dns_message.to_name("gannet.example.org"), "A")

MARK = "0123456789abcdef" * 2
"""What ends each reply in the corpus of `libvirt-agents`."""

Parser = Callable[[bytes], object]


def text(parse: Callable[[str], object]) -> Parser:
    """A parser of text, as its callers decode it."""
    return lambda given: parse(given.decode("utf-8", "replace"))


def _agent(given: bytes) -> object:
    """What an agent said, and which of the addresses in it would be connected to."""
    report = agent.read_printed(given)
    return usable(report.addresses or (), [ip_interface("192.0.2.1/24")])


def _libvirt_agent(given: bytes) -> object:
    """What the run of virsh printed about a guest, read by root and then by the daemon; and a list of guests."""
    try:
        replies = libvirt_agent.read_replies(given, MARK)
    except ValueError:
        return None  # It says so: the reply is too long.
    return agent.understand(replies, 0.0), list(libvirt_agent.read_domains(given))


PARSERS: dict[str, Parser] = {
    "command-output": output.read,
    "helper-reply": parse_reply,
    "dns": lambda given: dns_message.read(given, QUESTION),
    "certificate": read_certificate,
    "guest-monitor": qmp.read_printed,
    "guest-agent": _agent,
    "guest-volumes": text(volumes.read_volumes),
    "containers": engine.read_state,
    "container-space": engine.read_space,
    "smart": text(lambda given: smart._read("/dev/vda", given, 0)),
    "ups": text(ups_protocol.read_entry),
    "mail-queue": text(mail_queue.read_queue),
    "lvm-volumes": text(lvm.read_volumes),
    "lvm-groups": text(lvm.read_groups),
    "lvm-thin": text(lvm.read_thin_status),
    "zfs-pools": text(zfs.read_pools),
    "zfs-datasets": text(zfs.read_datasets),
    "zfs-snapshots": text(zfs.read_snapshots),
    "zfs-status": text(zfs.read_status),
    "zfs-classes": text(lambda given: list(classes.class_levels("skerry", classes.read_classes(given)))),
    "certificate-file": text(lambda given: read_chain(given, Path("/etc/ssl/gannet.pem"))),
    "libvirt-guests": text(lambda given: [understand("x", *each, starts=True) for each in domains(given)]),
    "libvirt-errors": text(block_errors),
    "libvirt-agents": _libvirt_agent,
    "guest-consoles": text(understand_console),
    "mapped-devices": text(lambda given: list(mapped_devices.faults_of(mapped_devices.read_status(given)))),
    "kernel-messages": text(fault_of),
    "inotify": text(lambda given: [each.facts() for each in inotify.read_users(given)]),
    "old-libraries": text(lambda given: old_libraries.condition(old_libraries.read_groups(given))),
    "apt-updates": text(apt.read_simulation),
    "apt-states": apt.read_states,
    "os-release": text(support_end.read_os_release),
    "btrfs-subvolumes": text(btrfs.read_subvolumes),
    "btrfs-scrub": text(btrfs.read_scrub),
    "configuration": text(lambda given: loading.parse(given, "gannet.toml")),
    "stored-message": text(MESSAGE.loads),
    "stored-alert": text(ALERT.loads),
    "kept-aside": text(COMMIT.loads),
}


def corpus(name: str) -> Sequence[bytes]:
    """The inputs that are kept for a parser."""
    return [path.read_bytes() for path in sorted((CORPUS / name).iterdir())]


def harmed(seeds: Sequence[bytes], chance: Random) -> bytes:
    """One of the inputs, with a few changes."""
    found = bytearray(chance.choice(seeds))
    for _ in range(chance.randint(0, MOST_HARMS)):
        at, end = sorted(chance.randrange(len(found) + 1) for _ in range(2))
        match chance.randrange(6):
            case 0 if found:
                found[at % len(found)] ^= 1 << chance.randrange(8)
            case 1:
                del found[at:end]
            case 2:
                found[at:at] = found[at:end]
            case 3:
                found[at:at] = chance.choice(TOKENS)
            case 4:
                found[at:end] = chance.choice(TOKENS)
            case _:
                other = chance.choice(seeds)
                found[at:end] = other[chance.randrange(len(other) + 1) :]
    return bytes(found[:LONGEST])


def holds(name: str, given: bytes) -> None:
    """The parser returns, or raises an error of ours."""
    try:
        PARSERS[name](given)
    except (WatchkeeperError, HelperError, BadAnswer):
        return
    except Exception as error:
        raise AssertionError(f"{name} raised {type(error).__name__} for {given!r}") from error


@pytest.mark.parametrize("name", PARSERS)
def test_the_corpus_is_read(name: str) -> None:
    """Each kept input; the first of each folder is valid, so that what follows harms something real."""
    first, *others = corpus(name)
    PARSERS[name](first)
    for each in others:
        holds(name, each)


@pytest.mark.parametrize("name", PARSERS)
@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(chance=st.randoms(use_true_random=False))
def test_harmed_input_raises_nothing_unforeseen(name: str, chance: Random) -> None:
    """Some hundred inputs for each parser."""
    holds(name, harmed(corpus(name), chance))


if FUZZ_S:

    @pytest.mark.timeout(FUZZ_S + 300)
    @pytest.mark.parametrize("name", PARSERS)
    def test_for_as_long_as_asked(name: str, capsys: pytest.CaptureFixture[str]) -> None:
        """FUZZ_S seconds for each parser."""
        clock, chance, seeds, count = Clock(), Random(FUZZ_SEED), corpus(name), 0
        end_s = clock.monotonic_s() + FUZZ_S
        while clock.monotonic_s() < end_s:
            holds(name, harmed(seeds, chance))
            count += 1
        with capsys.disabled():
            sys.stdout.write(f"\n{name}: {count:,} inputs\n")
