"""The software of the host is proposed, with the end of its support."""

from dataclasses import replace
from pathlib import Path

from tests.discovery.conftest import document, usable
from tests.support.needs import need
from watchkeeper.discovery.finders import software
from watchkeeper.discovery.host import Host

TABLES = Path("/usr/share/distro-info/debian.csv").exists()


async def test_a_known_release(host: Host, tmp_path: Path) -> None:
    """Its ends of support are named, and the long one is offered."""
    need(TABLES, "distro-info-data is not installed")
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/os-release").write_text(
        'PRETTY_NAME="Debian GNU/Linux 12 (bookworm)"\nID=debian\nVERSION_ID="12"\n'
    )
    (tmp_path / "usr/share").mkdir(parents=True)
    (tmp_path / "usr/share/distro-info").symlink_to("/usr/share/distro-info")
    (proposal,) = (await software.find(replace(host, root=tmp_path))).proposals
    assert proposal.about[1].startswith(
        "Debian GNU/Linux 12 (bookworm): regular support until 2026-07-11, long support until 2028-06-30"
    )
    assert proposal.table() == {"kind": "software", "support": "long"}
    usable(document(proposal))


async def test_an_unknown_release(host: Host, tmp_path: Path) -> None:
    """The rest is worth monitoring all the same."""
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/os-release").write_text("ID=skerry\n")
    (proposal,) = (await software.find(replace(host, root=tmp_path))).proposals
    assert proposal.about[1] == "operating system: support: skerry: the tables are not here; install distro-info-data."
    usable(document(proposal))


async def test_nothing_is_known(host: Host, tmp_path: Path) -> None:
    """Neither a release nor packages."""
    found = await software.find(replace(host, root=tmp_path / "empty"))
    assert found.absent == ("a release that is known (/etc/os-release)",)


async def test_replaced_libraries(host: Host, tmp_path: Path) -> None:
    """Proposed where systemd runs the services, with the helper that it needs."""
    assert (await software.find_old_libraries(replace(host, root=tmp_path))).proposals == ()
    (tmp_path / "run/systemd/system").mkdir(parents=True)
    (proposal,) = (await software.find_old_libraries(replace(host, root=tmp_path))).proposals
    assert proposal.about[1].startswith("Needs the helper.")
    usable(document(proposal))
