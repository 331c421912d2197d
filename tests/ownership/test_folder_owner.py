"""Whose rights root takes on a path, and which paths it refuses."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.folders import DAEMON, STRANGER, Ground, ground
from watchkeeper.errors import StartError
from watchkeeper.ownership import folder_owner
from watchkeeper.ownership.folder_owner import LINKS_LIMIT, owner_of, real_file, user


@pytest.fixture
def where() -> Iterator[Ground]:
    """An open folder of the daemon's user."""
    with ground(closed=False) as laid:
        yield laid


def test_a_folder_of_another_user(where: Ground) -> None:
    """It is that user's rights that are needed, also for a folder in it that is not there yet."""
    for path in (where.state, where.state / "new" / "er", where.top / "state"):
        owner = owner_of(path)
        assert owner is not None
        assert (owner.uid, owner.gid, owner.folder, owner.closed) == (DAEMON, DAEMON, where.state, None)


def test_a_folder_that_its_owner_cannot_reach() -> None:
    """The closed folder on the way is named, and so is root's link."""
    with ground(closed=True) as where:
        owner = owner_of(where.state)
    assert owner is not None
    assert (owner.uid, owner.closed) == (DAEMON, where.top / "private")
    assert owner.links == ((where.top / "state", Path("private/state")),)


def test_a_folder_that_is_roots_alone(where: Ground) -> None:
    """Root works there as itself, also where its own links lead there, and where the folder is yet to be made."""
    (where.top / "link").symlink_to("own")
    for path in (where.top / "own", where.top / "link", where.top / "link" / "new", Path("/")):
        assert owner_of(path) is None


def test_another_user_than_root_is_never_asked(where: Ground, monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel decides then, and nothing is refused before."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    (where.state / "way").symlink_to(where.victim.parent)
    assert owner_of(where.state / "way") is None


def test_a_link_of_that_user_to_roots_folder(where: Ground) -> None:
    """The link is named, with whose it is and what to do."""
    (where.state / "way").symlink_to(where.victim.parent)
    with pytest.raises(StartError, match=rf"leads over {where.state}, which .*can change.*own, which belongs to root"):
        owner_of(where.state / "way")
    (where.state / "roots").mkdir()
    with pytest.raises(StartError, match=r"give .* to root or"):
        owner_of(where.state / "roots")


def test_a_folder_that_a_third_user_can_swap(where: Ground) -> None:
    """Nobody is led to a folder of one user by another one."""
    os.chown(where.top / "lib", STRANGER, STRANGER)
    with pytest.raises(StartError, match=rf"user {STRANGER} can change {where.top}/lib on the way there"):
        owner_of(where.state)


def test_a_folder_of_root_that_others_may_write_to(where: Ground) -> None:
    """Somebody could put a link there at any moment."""
    (where.top / "own").chmod(0o775)
    assert owner_of(where.top / "own") is None  # root's own group
    os.chown(where.top / "own", 0, STRANGER)
    with pytest.raises(StartError, match=rf"others may write to it.*chmod go-w {where.top}/own"):
        owner_of(where.top / "own")


def test_a_folder_like_tmp(where: Ground) -> None:
    """No database lies in it, and no folder is made in it; a file with a name of its own may be written there."""
    shared = where.top / "own"
    shared.chmod(0o1777)
    for path in (shared, shared / "new"):
        with pytest.raises(StartError, match=f"everybody may write to {shared}: make a folder of your own"):
            owner_of(path)
    assert owner_of(shared, shared=True) is None
    (shared / "way").symlink_to(where.top)
    os.lchown(shared / "way", STRANGER, STRANGER)
    with pytest.raises(StartError, match=f"{shared}/way, which user {STRANGER} can change"):
        owner_of(shared / "way")
    (shared / "mine").mkdir(mode=0o700)
    assert owner_of(shared / "mine") is None


def test_links_without_end(where: Ground) -> None:
    """A ring of links ends in an error, not in a loop."""
    (where.top / "a").symlink_to("b")
    (where.top / "b").symlink_to("a")
    with pytest.raises(StartError, match="too many links"):
        owner_of(where.top / "a")


def test_steps_back(where: Ground) -> None:
    """`..` leads where the kernel would go: above the folder that a link leads to."""
    owner = owner_of(where.top / "state" / ".." / "state")
    assert owner is not None
    assert owner.folder == where.state


def test_the_file_that_a_link_of_root_leads_to(where: Ground) -> None:
    """Root's links are followed to the file itself; those of others are left for their owner's rights."""
    inner = where.state / "inner"
    inner.symlink_to(where.victim)
    (where.top / "a").symlink_to("b")
    (where.top / "b").symlink_to(inner)
    assert real_file(where.top / "a") == inner
    (where.top / "ring").symlink_to("ring")
    assert real_file(where.top / "ring") == where.top / "ring"
    (where.top / "own").chmod(0o1777)
    strange = where.top / "own" / "strange"
    strange.symlink_to(where.victim)
    os.lchown(strange, STRANGER, STRANGER)
    assert real_file(strange) == strange
    assert LINKS_LIMIT == 40


def test_users_are_named() -> None:
    """By name where there is one."""
    assert user(0) == "user root"
    assert user(STRANGER) == f"user {STRANGER}"


def test_users_outside_of_a_namespace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Root of a container without real root sees them all as one number, to which nobody in there belongs."""
    monkeypatch.setattr(folder_owner, "UID_MAP", tmp_path / "uid_map")
    for text, seen in (
        ("0 0 4294967295", None),
        ("0 1000 1", DAEMON),
        ("0 1000 1\n1 100000 65536", None),
        ("", DAEMON),
        ("x", None),
    ):
        (tmp_path / "uid_map").write_text(f"{text}\n" if text else "")
        assert folder_owner.outsiders() == seen
    (tmp_path / "uid_map").unlink()
    assert folder_owner.outsiders() is None


def test_a_folder_that_belongs_to_users_outside(where: Ground, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is no other user's in here: the kernel decides, as it does for any user."""
    monkeypatch.setattr(folder_owner, "outsiders", lambda: DAEMON)
    assert owner_of(where.state) is None
    (where.state / "mine").mkdir()
    assert owner_of(where.state / "mine") is None
