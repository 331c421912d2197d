"""`reclaim` tells what deleting snapshots would free, and never deletes one."""

import asyncio
import json
from datetime import timedelta
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.inventory.pretended_zfs import asked, put_zfs
from tests.planning.cow import BLOCK_BYTES, Dataset
from tests.probes.toolbox import Toolbox
from tests.support.readstore import NOW
from watchkeeper.inventory.reclaim import btrfs as freeing_btrfs
from watchkeeper.inventory.reclaim import lvm as freeing_lvm
from watchkeeper.inventory.reclaim import measure
from watchkeeper.inventory.reclaim import zfs as freeing_zfs
from watchkeeper.model.observation import Level, SeriesKey
from watchkeeper.model.records import Commit, Seen
from watchkeeper.store import Store

DAY = timedelta(days=1)
CAPACITY, GROWTH = 3000 * BLOCK_BYTES, 20 * BLOCK_BYTES


def cameras() -> Dataset:
    """Twelve days of one place after another, written over after four days; the first one is held."""
    found = Dataset("skerry/nest-cams")
    for day in range(12):
        for number in range(10):
            found.write(day % 4 * 10 + number)
        found.snapshot(f"daily-{day:02}", round((NOW - (12 - day) * DAY).timestamp()))
    found.holds["daily-00"] = 1
    return found


@pytest.fixture
def zfs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """A host with nothing but a pool."""
    monkeypatch.setattr(measure, "FINDERS", (("ZFS", freeing_zfs.look),))
    toolbox = Toolbox(tmp_path, monkeypatch)
    put_zfs(toolbox.folder, tmp_path, [Dataset("skerry"), cameras()])
    return toolbox


@pytest.fixture
def grown(tmp_path: Path) -> None:
    """The pool has grown by 20 blocks a day and has 300 left: 15 days."""
    key = SeriesKey("pool skerry", "space")
    seen = tuple(
        Seen(
            NOW - timedelta(hours=h), Level(key, CAPACITY - 300 * BLOCK_BYTES - GROWTH * h / 24, CAPACITY), "zfs", 3600
        )
        for h in range(600, -1, -1)
    )

    async def write() -> None:
        async with await Store.open(tmp_path / "watchkeeper.db") as store:
            await store.commit(Commit(seen))

    asyncio.run(write())


def said(text: str) -> str:
    """What is printed, without the breaks of lines."""
    return " ".join(text.split())


@pytest.mark.usefixtures("zfs", "grown")
def test_together_is_more_than_the_sum(run: Run, tmp_path: Path) -> None:
    """Each alone, all together exactly, why that is more, and what it does to the time to full."""
    result = run("reclaim", "skerry/nest-cams@daily-0[1234]")
    assert result.exit_code == 0
    text = said(result.stdout)
    assert "pool skerry" in text
    assert "skerry/nest-cams@daily-01, 11 days old" in text
    assert "All 4 together free 40 KiB, exactly." in text
    assert (
        "Each deleted alone, they would free 0 B in sum. The other 40 KiB are in blocks that two or more of them share"
        in text
    )
    assert "Time to full: likely in about 16 days instead of in about 15 days; at the earliest" in text
    assert "Nothing was deleted" in text
    assert all(each[0] == "list" or each[:4] == ["destroy", "-n", "-v", "-p"] for each in asked(tmp_path))
    assert not (tmp_path / "DESTROYED").exists()


@pytest.mark.usefixtures("zfs")
def test_one_snapshot_and_one_that_is_held(run: Run) -> None:
    """One frees nothing alone; the other cannot be deleted, and why. No database is needed."""
    result = run("reclaim", "skerry/nest-cams@daily-00", "skerry/nest-cams@daily-05")
    assert result.exit_code == 0
    text = said(result.stdout)
    assert "It frees 0 B, exactly." in text
    assert "also used by the volume itself" in text
    assert "Cannot be deleted now - skerry/nest-cams@daily-00: it has a hold (1)" in text


@pytest.mark.usefixtures("zfs")
def test_every_set_is_listed(run: Run) -> None:
    """Without a word: per store what the sets hold together."""
    result = run("reclaim")
    assert result.exit_code == 0
    text = said(result.stdout)
    assert "skerry/nest-cams, daily-*: 12 snapshots, 1 of them cannot be deleted" in text
    assert "pool skerry: 280 KiB in snapshots" in text


def test_a_list_says_why_it_is_not_exact(run: Run, zfs: Toolbox) -> None:
    """A pool that answers no dry run: bounds, and the reason once below the store."""
    lists = (zfs.folder / "zfs").rename(zfs.folder / "zfs-list")
    zfs.put("zfs", f'case "$1" in list) exec {lists} "$@";; esac; echo "permission denied" >&2; exit 1')
    text = said(run("reclaim").stdout)
    assert "pool skerry: at most 320 KiB in snapshots" in text
    assert "Not exact: the dry run for skerry/nest-cams failed" in text


@pytest.mark.usefixtures("zfs", "grown")
def test_with_nothing_kept(run: Run) -> None:
    """A choice of which all may be dropped: nothing is told as kept."""
    text = said(run("reclaim", "--gain", "1d", "*@daily-0[1-8]").stdout)
    assert "Delete 0 B alone skerry/nest-cams@daily-01" in text
    assert "Not thought of" not in text


@pytest.mark.usefixtures("zfs", "grown")
def test_which_to_drop(run: Run) -> None:
    """The oldest that may go, as many as are needed; the newest and the held one are told as kept."""
    result = run("reclaim", "--gain", "2d", "--store", "pool skerry")
    assert result.exit_code == 0
    text = said(result.stdout)
    assert "To gain 2 days on pool skerry, 160 KiB must be freed. Deleting these" in text
    assert "Time to full: likely in about 17 days instead of in about 15 days; at the earliest" in text
    assert "skerry/nest-cams@daily-00: it has a hold (1)" in text
    assert "skerry/nest-cams@daily-11: the newest of daily-*" in text
    assert "skerry/nest-cams: 5 of 12 stay, the oldest 12 days old." in text
    assert "Nothing was deleted" in text
    thin = run("reclaim", "--gain", "1d", "--thin-out")
    assert thin.exit_code == 0


@pytest.mark.usefixtures("zfs", "grown")
def test_what_cannot_be_gained(run: Run) -> None:
    """Exit code 1, and how much all of them would free."""
    result = run("reclaim", "--gain", "90d")
    assert result.exit_code == 1
    text = said(result.stdout)
    assert "Deleting snapshots cannot gain 90 days on pool skerry" in text
    assert "all 10 that may be deleted free 280 KiB, exactly" in text


@pytest.mark.usefixtures("zfs", "grown")
def test_json(run: Run) -> None:
    """One object in each case, with bytes and RFC 3339."""
    listed = json.loads(run("reclaim", "--json").stdout)
    assert (listed["host"], listed["sets"][0]["name_pattern"], listed["sets"][0]["frees"]["exact"]) == (
        "gannet", "daily-*", True,
    )  # fmt: skip
    some = json.loads(run("reclaim", "--json", "*@daily-0[01]").stdout)["stores"][0]
    assert [each["name"] for each in some["snapshots"]] == ["skerry/nest-cams@daily-01"]
    assert some["cannot_be_deleted"][0]["reason"].startswith("it has a hold")
    assert some["full_before"]["no_date_reason"] is None
    gain = json.loads(run("reclaim", "--json", "--gain", "2d").stdout)["gain"]
    assert gain["enough"] is True
    assert gain["frees"]["min_bytes"] >= gain["needed_bytes"]
    assert gain["full_after"]["likely_at"] > gain["full_before"]["likely_at"]
    assert {each["reason"] for each in gain["kept"]} == {
        "the newest of daily-*", "it has a hold (1): see zfs holds and zfs release",
    }  # fmt: skip


@pytest.mark.usefixtures("zfs")
@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["skerry/nest-cam@daily-01"],
            'nothing here matches "skerry/nest-cam@daily-01". Similar: "skerry/',
        ),
        (["--of", "zzz"], "`watchkeeper reclaim` lists what there is"),
        (["--store", "pool sker"], 'Similar: "pool skerry"'),
        (["--gain", "soon"], "is not a duration"),
        (["--thin-out"], "--thin-out needs --gain"),
        (["--older-than", "0d"], "not longer than 0"),
    ],
)
def test_wrong_use(run: Run, words: list[str], told: str) -> None:
    """Names that are not there, and durations that are none: 2, with what is near."""
    result = run("reclaim", *words)
    assert result.exit_code == 64
    assert told in said(result.stderr).replace("│", "")


@pytest.mark.usefixtures("zfs")
def test_a_gain_needs_a_database_and_a_store(run: Run, tmp_path: Path, grown: None) -> None:  # noqa: ARG001
    """Without a record 3; with two pools 2, and they are named."""
    put_zfs(tmp_path / "tools", tmp_path, [Dataset("jetty", {}, {"a": frozenset({1})}, {"a": 0}), cameras()])
    result = run("reclaim", "--gain", "2d")
    assert result.exit_code == 64
    assert 'name it with --store. Known: "pool jetty", "pool skerry".' in said(result.stderr)
    (tmp_path / "watchkeeper.db").unlink()
    result = run("reclaim", "--gain", "2d")
    assert result.exit_code == 66
    assert "there is no database" in result.stderr


def test_nothing_can_be_looked_at(run: Run, zfs: Toolbox) -> None:
    """A pool that does not answer: 3, and the reason; a host without any snapshot: 0."""
    zfs.says("zfs", "", status=1, stderr="internal error\n")
    result = run("reclaim")
    assert result.exit_code == 69
    assert "Could not be read - ZFS: zfs ended with status 1: internal error" in said(result.stdout)
    (zfs.folder / "zfs").unlink()
    result = run("reclaim")
    assert result.exit_code == 0
    assert "There are no matching snapshots here." in result.stdout


def test_every_kind_of_store_is_asked() -> None:
    """The table of kinds."""
    assert [name for name, _ in measure.FINDERS] == ["ZFS", "LVM", "btrfs", "files"]
    assert {finder for _, finder in measure.FINDERS} >= {freeing_zfs.look, freeing_lvm.look, freeing_btrfs.look}
