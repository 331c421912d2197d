"""`discover` prints a configuration that loads, never writes over a file, and compares with the one in use."""

import tomllib
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from watchkeeper.config.loading import check_document
from watchkeeper.config.secrets import Secrets
from watchkeeper.discovery import registry
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.proposal import Found, Key, Proposal, Unseen, things
from watchkeeper.discovery.registry import Section
from watchkeeper.settings import known_model

POOL = things("pool", ["skerry"])
FOUND = Found(
    (
        Proposal("zfs", (Key("pools", ("skerry",), "It must be there."),), ("Pool skerry.",), things=POOL),
        Proposal("tcp", (Key("name", "db"), Key("host", "127.0.0.1"), Key("port", 5432)), offered=True),
    ),
    (Unseen("LVM", "this needs root", "Start the helper."),),
    there=frozenset(POOL),
    looked=frozenset({"pool", "port"}),
)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Host]:
    """A host that is always found alike; the list is of how it was looked at."""
    hosts: list[Host] = []

    async def look(host: Host) -> Sequence[Section]:
        hosts.append(host)
        return [Section("ZFS", FOUND)]

    monkeypatch.setattr("watchkeeper.cli.commands.configuration.discover.look", look)
    return hosts


def test_what_is_printed_loads(run: Run, asked: list[Host]) -> None:
    """Nothing but the document is on stdout, and it is for this host."""
    result = run("discover")
    assert result.exit_code == 0, result.output
    document = tomllib.loads(result.stdout)
    check_document(known_model(), document, Secrets.NEEDED)
    assert document["host"]["name"] == "gannet"
    assert "# - LVM: this needs root. Start the helper." in result.stdout
    assert [host.ask_web for host in asked] == [True]


def test_this_machine_as_it_is(run: Run) -> None:
    """The real finders, without sending anything."""
    result = run("discover", "--no-requests")
    assert result.exit_code == 0, result.output
    check_document(known_model(), tomllib.loads(result.stdout), Secrets.NEEDED)
    assert registry.FINDERS[0].heading in result.stdout


def test_requests_can_be_left_out(run: Run, asked: list[Host]) -> None:
    """Then ports are only named."""
    run("discover", "--no-requests")
    assert [host.ask_web for host in asked] == [False]


def test_a_file_is_written_once(run: Run, asked: list[Host], tmp_path: Path) -> None:
    """For the operator's eyes alone; a second time it is refused, and stays as it is."""
    target = tmp_path / "new.toml"
    result = run("discover", "--write", str(target))
    assert (result.exit_code, result.stdout) == (0, "")
    assert "check-config" in result.stderr
    assert target.stat().st_mode & 0o777 == 0o600
    check_document(known_model(), tomllib.loads(target.read_text()), Secrets.NEEDED)
    target.write_text("# mine\n")
    refused = run("discover", "--write", str(target))
    assert refused.exit_code == 73
    assert "is not overwritten" in refused.output
    assert target.read_text() == "# mine\n"
    assert len(asked) == 2


@pytest.mark.usefixtures("asked")
def test_a_link_is_not_written_through(run: Run, tmp_path: Path) -> None:
    """A link that leads nowhere is a file that is there."""
    (tmp_path / "link.toml").symlink_to(tmp_path / "nowhere.toml")
    assert run("discover", "--write", str(tmp_path / "link.toml")).exit_code == 73
    assert not (tmp_path / "nowhere.toml").exists()


@pytest.mark.usefixtures("asked")
def test_a_place_that_cannot_be_written(run: Run, tmp_path: Path) -> None:
    """The reason is told."""
    result = run("discover", "--write", str(tmp_path / "none" / "new.toml"))
    assert result.exit_code == 73
    assert "No such file or directory" in result.output


@pytest.mark.usefixtures("asked")
def test_a_disk_that_is_full_leaves_no_half_file(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What could not be written whole is taken away."""

    def full(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    result = run("discover", "--write", str(tmp_path / "new.toml"))
    assert result.exit_code == 73
    assert not (tmp_path / "new.toml").exists()


@pytest.mark.usefixtures("asked")
def test_what_has_appeared(run: Run) -> None:
    """A pool that nobody names is told, with the table to be added; exit code 1."""
    result = run("discover", "--diff")
    assert result.exit_code == 1
    assert "- pool skerry" in result.stdout
    assert 'pools = ["skerry"]' in result.stdout
    assert "LVM: this needs root" in result.stdout
    assert "port" not in result.stdout


@pytest.mark.usefixtures("asked")
def test_what_is_gone(run: Run, config: Path) -> None:
    """What is named and not here is told; where nothing differs, that is said, with exit code 0."""
    config.write_text(config.read_text() + '[[probe]]\nkind = "zfs"\npools = ["skerry", "holm"]\n')
    result = run("discover", "--diff")
    assert result.exit_code == 1
    assert "- pool holm, which probe zfs names" in result.stdout
    config.write_text(config.read_text().replace(', "holm"', ""))
    result = run("discover", "--diff")
    assert result.exit_code == 0
    assert f"Nothing differs from {config}." in " ".join(result.stdout.split())


def test_a_configuration_that_cannot_be_used(run: Run, config: Path, asked: list[Host]) -> None:
    """It hinders a comparison, and not a proposal."""
    config.write_text("port = 1\n")
    assert run("discover", "--diff").exit_code == 78
    assert not asked
    assert run("discover").exit_code == 0


def test_writing_and_comparing_are_two_things(run: Run, asked: list[Host], tmp_path: Path) -> None:
    """One or the other."""
    result = run("discover", "--diff", "--write", str(tmp_path / "new.toml"))
    assert result.exit_code == 64
    assert "cannot be used together" in result.output
    assert not asked
