"""The software of a host, with the real apt-get, gpgv and the kernel's real list of locks, on a private root."""

import fcntl
import shutil
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from tests.probes.hands import SetClock, conditions
from tests.probes.software.packages import MAIN, SECURITY, AptRoot, utc
from tests.support.needs import need
from watchkeeper.model.observation import Deadline, Observed, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.software import apt, signatures, support_end, system
from watchkeeper.probes.software.software import SoftwareProbe, SoftwareSettings
from watchkeeper.probes.software.support_end import Release, Support

NOW = utc(2026, 11, 30, 12)


@pytest.fixture
def host(tmp_path: Path) -> AptRoot:
    """A host with two packages, whose lists were fetched an hour ago."""
    need(shutil.which("apt-get"), "apt-get is not installed")
    made = AptRoot(tmp_path / "host")
    made.has({"tide-gauge": "2.0-1", "skerry-tools": "1.4-2"})
    made.fetched(NOW - timedelta(hours=1))
    made.system()
    return made


@pytest.fixture
def clock() -> SetClock:
    """Stands still."""
    return SetClock(NOW)


@pytest.fixture
def probe(host: AptRoot, still: ProbeContext) -> SoftwareProbe:
    """The probe of that host."""
    return SoftwareProbe(SoftwareSettings(), still, host.root)


def deadline(seen: list[Observed], key: str) -> Deadline:
    """The deadline of that name."""
    (found,) = [each for each in seen if isinstance(each, Deadline) and str(each.key) == key]
    return found


def unseen(seen: list[Observed]) -> dict[str, str]:
    """What cannot be told, and why."""
    return {each.what: each.why for each in seen if isinstance(each, Unseen)}


async def test_a_security_update_waits(host: AptRoot, probe: SoftwareProbe, clock: SetClock) -> None:
    """It is due 14 days after it was first seen, however often a newer one comes; installed, all is done."""
    seen = list(await probe.observe())
    assert deadline(seen, "packages: security updates").last_at == NOW
    host.offers(SECURITY, "Debian-Security", "oldstable-security", {"tide-gauge": "2.0-1+deb12u1"})
    host.offers(MAIN, "Debian", "oldstable", {"skerry-tools": "1.4-3"})
    clock.advance(86_400)
    due = deadline(list(await probe.observe()), "packages: security updates")
    assert due.due_at == NOW + timedelta(days=15)
    assert dict(due.facts) == {"security updates": "1", "other updates": "1", "packages": "tide-gauge"}
    clock.advance(86_400)
    host.offers(SECURITY, "Debian-Security", "oldstable-security", {"tide-gauge": "2.0-1+deb12u2"})
    assert deadline(list(await probe.observe()), "packages: security updates").due_at == NOW + timedelta(days=15)
    (host.root / "var/lib/dpkg/status").write_text("")
    host.has({"tide-gauge": "2.0-1+deb12u2", "skerry-tools": "1.4-2"})
    assert deadline(list(await probe.observe()), "packages: security updates").last_at == clock.now()


async def test_first_seen_is_kept_across_a_restart(host: AptRoot, still: ProbeContext, clock: SetClock) -> None:
    """A new daemon does not begin the 14 days again."""
    host.offers(SECURITY, "Debian-Security", "oldstable-security", {"tide-gauge": "2.0-1+deb12u1"})
    await SoftwareProbe(SoftwareSettings(), still, host.root).observe()
    clock.advance(3 * 86_400)
    seen = list(await SoftwareProbe(SoftwareSettings(), still, host.root).observe())
    assert deadline(seen, "packages: security updates").last_at == NOW


@pytest.fixture
def at_work(host: AptRoot) -> Iterator[None]:
    """Something holds dpkg's lock, and the kernel lists that."""
    (host.root / "proc/locks").unlink()
    (host.root / "proc/locks").symlink_to("/proc/locks")
    with (host.root / "var/lib/dpkg/lock-frontend").open("w") as file:
        fcntl.lockf(file, fcntl.LOCK_EX)
        yield


async def test_while_apt_is_at_work(host: AptRoot, probe: SoftwareProbe, clock: SetClock) -> None:
    """The last answer is given, with its age; after four hours that is a fault."""
    await probe.observe()
    (host.root / "proc/locks").unlink()
    (host.root / "proc/locks").symlink_to("/proc/locks")
    host.has({"half": "1"}, "install ok half-configured")
    with (host.root / "var/lib/dpkg/lock-frontend").open("w") as file:
        fcntl.lockf(file, fcntl.LOCK_EX)
        clock.advance(600)
        seen = list(await probe.observe())
        assert dict(deadline(seen, "packages: security updates").facts)["as of"] == "10m ago: apt or dpkg is at work"
        assert conditions(seen)["packages: configured"].ok
        clock.advance(5 * 3600)
        stuck = conditions(await probe.observe())["packages: configured"]
        assert stuck.reason == "apt or dpkg has been at work for 5h"
    seen = list(await probe.observe())
    assert conditions(seen)["packages: configured"].reason == "half (half-configured)"
    assert "as of" not in dict(deadline(seen, "packages: security updates").facts)


@pytest.mark.usefixtures("at_work")
async def test_at_work_at_the_first_look(probe: SoftwareProbe) -> None:
    """There is no answer to give."""
    assert unseen(list(await probe.observe()))["packages: security updates"] == "apt or dpkg is at work"


async def test_a_simulation_that_fails(host: AptRoot, probe: SoftwareProbe) -> None:
    """What apt-get says is the reason; it is tried again at the next look."""
    (host.root / "etc/apt/sources.list").write_text("nonsense\n")
    why = unseen(list(await probe.observe()))["packages: security updates"]
    assert why.startswith("apt-get ended with status 100: E:")
    (host.root / "etc/apt/sources.list").write_text("")
    assert deadline(list(await probe.observe()), "packages: security updates").last_at == NOW


async def test_the_simulation_is_not_repeated(probe: SoftwareProbe, monkeypatch: pytest.MonkeyPatch) -> None:
    """It takes seconds, so it runs only if a file has changed."""
    await probe.observe()
    monkeypatch.setattr(apt, "simulation", lambda _root: ("/nothing/like/it",))
    assert "packages: security updates" not in unseen(list(await probe.observe()))


async def test_held_and_unsettled_packages(host: AptRoot, probe: SoftwareProbe) -> None:
    """What dpkg left in the middle is a fault; what is held is a fact; what was removed is neither."""
    host.has({"kept": "1"}, "hold ok installed")
    host.has({"gone": "1"}, "deinstall ok config-files")
    host.has({"torn": "1"}, "install reinstreq half-installed")
    found = conditions(await probe.observe())["packages: configured"]
    assert (found.reason, dict(found.facts)) == ("torn (half-installed)", {"held": "kept"})


async def test_old_lists(host: AptRoot, probe: SoftwareProbe) -> None:
    """They are due 7 days after they were fetched; an index that ended since counts only if they are fresh."""
    host.offers(SECURITY, "Debian-Security", "oldstable-security", {}, "Sun, 29 Nov 2026 12:00:00 UTC")
    host.fetched(NOW - timedelta(days=8))
    seen = list(await probe.observe())
    assert deadline(seen, "packages: package lists").due_at == NOW - timedelta(days=1)
    assert conditions(seen)["packages: repositories"].ok
    host.fetched(NOW - timedelta(hours=1))
    reason = conditions(await probe.observe())["packages: repositories"].reason
    assert reason == (
        "deb.example.org/debian-security bookworm-security: its index was valid until 2026-11-29, and no newer one came"
    )


async def test_no_lists(host: AptRoot, probe: SoftwareProbe) -> None:
    """As in a container whose lists were removed."""
    shutil.rmtree(host.lists)
    assert unseen(list(await probe.observe()))["packages: package lists"] == "there are none; run `apt update`"


async def test_a_host_without_apt(tmp_path: Path, still: ProbeContext) -> None:
    """The kernel and the stated end of support are known; the rest cannot be told."""
    root = tmp_path / "host"
    for each in ("proc/sys/kernel", "etc", "boot", "lib/modules/6.17.5-200.fc43.x86_64"):
        (root / each).mkdir(parents=True)
    (root / "proc/sys/kernel/osrelease").write_text("6.16.0-100.fc43.x86_64\n")
    (root / "etc/os-release").write_text('ID=fedora\nVERSION_ID=43\nPRETTY_NAME="Release 43"\nSUPPORT_END=2027-12-02\n')
    seen = list(await SoftwareProbe(SoftwareSettings(), still, root).observe())
    assert deadline(seen, "operating system: support").due_at == utc(2027, 12, 3) - timedelta(seconds=1)
    assert dict(deadline(seen, "host: restart").facts) == {
        "why": "the modules of the running kernel 6.16.0-100.fc43.x86_64 are no longer installed"
    }
    assert unseen(seen) == {
        "packages": "this is known only where dpkg manages the packages",
        "newest kernel": "no kernel is in /boot",
    }


async def test_a_restart_is_due(host: AptRoot, probe: SoftwareProbe, clock: SetClock) -> None:
    """For a newer kernel, or because a package asks for it; 14 days after it was first seen."""
    host.kernels("6.1.0-18-amd64")
    assert deadline(list(await probe.observe()), "host: restart").last_at == NOW
    host.kernels("6.1.0-50-amd64", initramfs=False)
    (host.root / "run").mkdir()
    (host.root / "run/reboot-required").touch()
    (host.root / "run/reboot-required.pkgs").write_text("tide-gauge\nskerry-tools\ntide-gauge\n")
    await probe.observe()
    clock.advance(86_400)
    seen = list(await probe.observe())
    due = deadline(seen, "host: restart")
    assert due.due_at == NOW + timedelta(days=14)
    assert due.facts == (
        ("why", "packages ask for it: skerry-tools, tide-gauge"),
        ("why", "kernel 6.1.0-50-amd64 is installed, 6.1.0-18-amd64 runs"),
    )
    assert conditions(seen)["newest kernel: boot files"].reason == "its initramfs is missing in /boot"


async def test_a_kernel_without_its_zfs_module(host: AptRoot, probe: SoftwareProbe) -> None:
    """On a host that uses ZFS."""
    host.kernels("6.1.0-18-amd64", "6.1.0-50-amd64")
    for each in ("sys/module/zfs", "lib/modules/6.1.0-18-amd64/updates/dkms", "lib/modules/6.1.0-50-amd64"):
        (host.root / each).mkdir(parents=True)
    (host.root / "lib/modules/6.1.0-18-amd64/updates/dkms/zfs.ko.xz").touch()
    found = conditions(await probe.observe())["newest kernel: boot files"]
    assert found.reason == "it has no ZFS module: pools would not be imported"


@pytest.mark.parametrize(
    ("release", "wanted", "expected"),
    [
        (Release("debian", "12"), Support.REGULAR, (2026, 7, 11)),
        (Release("debian", "12"), Support.LONG, (2028, 6, 30)),
        (Release("debian", "", "buster"), Support.EXTENDED, (2029, 6, 30)),
        (Release("ubuntu", "22.04"), Support.REGULAR, (2027, 6, 1)),
    ],
)
def test_the_tables_of_the_distributions(release: Release, wanted: Support, expected: tuple[int, int, int]) -> None:
    """The dates that distro-info-data has for releases whose end is fixed."""
    need(Path("/usr/share/distro-info/debian.csv").exists(), "distro-info-data is not installed")
    ends = support_end.find(Path("/"), release)
    assert not isinstance(ends, str)
    assert (ends[wanted].year, ends[wanted].month, ends[wanted].day) == expected


def test_a_release_that_the_tables_do_not_have(tmp_path: Path) -> None:
    """Each reason says what to do."""
    assert support_end.find(tmp_path, Release("debian", "12")) == "the tables are not here; install distro-info-data"
    tables = tmp_path / support_end.TABLES
    tables.mkdir(parents=True)
    (tables / "debian.csv").write_text("version,codename,series,created,release,eol\n14,Forky,forky,2025-08-09\n,,\n")
    assert support_end.find(tmp_path, Release("fedora", "43")) == "no table has it"
    assert support_end.find(tmp_path, Release("../../etc/passwd")) == "its name is not known"
    assert support_end.find(tmp_path, Release("debian", "14")) == "its end is not set yet"
    assert support_end.find(tmp_path, Release("debian")).__class__ is str
    assert str(support_end.find(tmp_path, Release("debian", "12"))).endswith("upgrade distro-info-data")


def test_a_host_that_hides_everything(tmp_path: Path) -> None:
    """What cannot be read cannot be told."""
    seen = system.observe_support(tmp_path, Support.REGULAR)
    assert isinstance(seen, Unseen)
    assert "os-release cannot be read" in seen.why


@pytest.fixture
def signed(host: AptRoot, samples: Path) -> AptRoot:
    """The security repository is signed by a key that was valid in January 2026 alone.

    Made with GnuPG 2.2: `gpg --faked-system-time 20260101T000000 --quick-gen-key "gannet archive" ed25519 sign
    seconds=2592000`, `--clearsign` a day later, `--armor --export`.
    """
    need(shutil.which("gpgv"), "gpgv is not installed")
    shutil.copy(samples / "software/InRelease", host.lists / f"{SECURITY}_InRelease")
    (host.root / "etc/apt/keyrings").mkdir()
    shutil.copy(samples / "software/gannet.asc", host.root / "etc/apt/keyrings/gannet.asc")
    return host


async def test_an_expired_key(signed: AptRoot, probe: SoftwareProbe) -> None:
    """Gpgv says which; apt would refuse the repository from then on. An unsigned one is not judged."""
    reason = conditions(await probe.observe())["packages: repositories"].reason
    assert reason.startswith("deb.example.org/debian-security bookworm-security: its signing key ")
    assert reason.endswith(" has expired")
    assert signed.root.exists()


@pytest.mark.parametrize(
    ("status", "expected"),
    [
        ("[GNUPG:] GOODSIG AB Skerry\n[GNUPG:] EXPKEYSIG CD Skerry\n", ""),
        ("[GNUPG:] REVKEYSIG CD Skerry\n", "its signing key CD was revoked"),
        ("[GNUPG:] NO_PUBKEY CD\n", ""),
        ("[GNUPG:] BADSIG\nnonsense\n[GNUPG:]\n", ""),
    ],
)
def test_what_gpgv_says(status: str, expected: str) -> None:
    """One valid signature is enough, as for apt."""
    assert signatures.refusal(status) == expected


def test_armour_that_cannot_be_read() -> None:
    """A damaged keyring has no keys."""
    block = b"-----BEGIN PGP PUBLIC KEY BLOCK-----\n\n%s\n=abcd\n-----END PGP PUBLIC KEY BLOCK-----\n"
    assert signatures.dearmoured(block % b"aGk=") == b"hi"
    assert signatures.dearmoured(block % b"aGk") == b""
    assert signatures.dearmoured(b"\x99plain") == b"\x99plain"


async def test_without_gpgv(host: AptRoot, probe: SoftwareProbe, monkeypatch: pytest.MonkeyPatch) -> None:
    """The keys cannot be told, the rest can."""
    assert host.root.exists()
    monkeypatch.setattr(signatures, "PATH", "/nonexistent")
    why = unseen(list(await probe.observe()))["packages: repository keys"]
    assert why == "gpgv cannot be used: gpgv is not installed"


def test_the_form_of_the_simulation() -> None:
    """As apt-get 2.6 prints it: a new package is no update, one archive for security is enough."""
    found = apt.read_simulation(
        "Inst libgannet2 [2.0-1] (2.0-1+deb12u1 Debian:12/oldstable, Debian-Security:12/oldstable-security [amd64])\n"
        "Inst linux-image-6.1.0-50-amd64 (6.1.192-3 Debian-Security:12/oldstable-security [amd64])\n"
        "Inst tide-gauge [1] (2 Debian:12.15/oldstable [all]) [skerry-tools:amd64 ]\n"
        "Conf libgannet2 (2.0-1+deb12u1 Debian:12.15/oldstable [amd64])\nInst \n"
    )
    assert found == [apt.Update("libgannet2", "2.0-1+deb12u1", True), apt.Update("tide-gauge", "2", False)]
