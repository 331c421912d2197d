"""A thread with another user's file rights, beside others that are still root's."""

import os
from pathlib import Path

import pytest

from tests.support.folders import DAEMON, Ground, ground, names
from watchkeeper.errors import StartError
from watchkeeper.ownership import file_rights
from watchkeeper.ownership.file_rights import with_rights_of
from watchkeeper.ownership.folder_owner import Owner, owner_of


def _tries(where: Ground) -> list[str]:
    """What the daemon's user may not do. Each that works is named."""
    works = []
    for name, work in (
        ("read", where.victim.read_text),
        ("write", lambda: where.victim.write_text("x")),
        ("make", where.victim.with_name("new").touch),
        ("remove", where.victim.unlink),
        ("give away", lambda: os.chown(where.victim, DAEMON, DAEMON)),
        ("change", lambda: where.victim.chmod(0o644)),
        ("read through a link", (where.state / "link").read_text),
    ):
        try:
            work()
        except PermissionError:
            continue
        works.append(name)
    return works


@pytest.mark.parametrize("closed", [False, True])
def test_only_what_the_owner_may_do(closed: bool) -> None:  # noqa: FBT001  a parameter of the test
    """Files are the owner's; nothing of root's can be read, written, made, removed or given away."""
    with ground(closed=closed) as where:
        (where.state / "link").symlink_to(where.victim)

        def work() -> list[str]:
            (where.state / "made").write_text("x")
            return _tries(where)

        assert with_rights_of(owner_of(where.state), work) == []
        assert (where.state / "made").stat().st_uid == DAEMON
        assert where.untouched
        assert where.victim.read_text()  # this thread is root's still


def test_the_way_is_seen_by_that_thread_alone() -> None:
    """Where only root may enter, the way in is no mount of the host, and shows nothing else of that folder."""
    with ground(closed=True) as where:
        (where.top / "private" / "others").mkdir()
        shown = with_rights_of(owner_of(where.state), lambda: names(where.top / "private"))
        assert shown == ["state"]
        assert names(where.top / "private") == ["others", "state"]
        assert str(where.top) not in Path("/proc/self/mounts").read_text()


def test_a_link_of_root_inside_the_closed_folder() -> None:
    """The path can be used as it was given."""
    with ground(closed=True) as where:
        (where.top / "private" / "deep").mkdir()
        (where.top / "private" / "deep" / "way").symlink_to("../state")
        path = where.top / "private" / "deep" / "way"
        with_rights_of(owner_of(path), (path / "made").touch)
        assert (where.state / "made").exists()


def test_without_an_owner_nothing_changes() -> None:
    """The work is done in this very thread."""
    assert with_rights_of(None, os.getpid) == os.getpid()


def test_errors_of_the_work_come_through() -> None:
    """As they are."""
    with ground(closed=False) as where, pytest.raises(ZeroDivisionError):
        with_rights_of(owner_of(where.state), lambda: 1 // 0)


@pytest.mark.parametrize("missing", ["user", "capabilities"])
def test_rights_that_cannot_be_taken(missing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the kernel keeps root's rights, no work is done at all."""
    with ground(closed=False) as where:
        owner = owner_of(where.state)
        assert owner is not None
        if missing == "user":
            owner = Owner(0xFFFF_FFFF, owner.gid, owner.folder)  # no user has this number: the kernel changes nothing
        else:
            monkeypatch.setattr(file_rights, "_capabilities", lambda: 0b10)
        with pytest.raises(StartError, match=r"the rights of .* cannot be taken.*run this as that user"):
            with_rights_of(owner, (where.state / "made").touch)
        assert names(where.state) == []
