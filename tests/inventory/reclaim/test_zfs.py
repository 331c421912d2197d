"""What ZFS says that snapshots free, from data sets that really copy on write; and that nothing ever destroys."""

import ast
import itertools
import re
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

import watchkeeper
from tests.inventory.places import place
from tests.inventory.pretended_zfs import asked, put_zfs
from tests.planning.cow import BLOCK_BYTES, Dataset
from tests.probes.toolbox import Toolbox, sample
from watchkeeper.errors import ProbeError, ToolMissing
from watchkeeper.inventory.reclaim import zfs as freeing_zfs
from watchkeeper.inventory.reclaim.zfs import NoDryRun, dry_run, guarded, read_reclaimed, read_taken
from watchkeeper.planning.reclaim.snapshots import Bounds, Candidate
from watchkeeper.probes.support.workers import ThreadWorkers

DRY = ["destroy", "-n", "-v", "-p"]


@pytest.fixture
def toolbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Toolbox:
    """An empty folder of tools in place of the system's."""
    return Toolbox(tmp_path, monkeypatch)


def lived(name: str, seed: int, snapshots: int = 5) -> Dataset:
    """A data set with so many snapshots."""
    found, random = Dataset(name), Random(seed)
    while len(found.snapshots) < snapshots:
        found.live(random, 1)
    return found


async def pool_of(folder: Path, toolbox: Toolbox, workers: ThreadWorkers, *datasets: Dataset) -> freeing_zfs.ZfsHolding:
    """The only pool, as it is read from a `zfs` that answers from these."""
    put_zfs(toolbox.folder, folder, datasets)
    (holding,) = await freeing_zfs.look(place(folder, workers))
    return holding


def named(holding: freeing_zfs.ZfsHolding, *names: str) -> list[Candidate]:
    """Candidates by their names."""
    return [next(each for each in holding.candidates if each.name == name) for name in names]


async def test_every_subset_is_told_exactly(tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers) -> None:
    """Of five snapshots each of 31 sets comes to the truth, by one dry run each and nothing else."""
    dataset = lived("skerry/hide-hub", 7)
    holding = await pool_of(tmp_path, toolbox, workers, Dataset("skerry"), dataset)
    for size in range(1, 6):
        for labels in itertools.combinations(dataset.snapshots, size):
            freed = await holding.freed(named(holding, *(f"skerry/hide-hub@{label}" for label in labels)))
            assert freed.bounds == Bounds(dataset.truth(labels), dataset.truth(labels)), labels
            assert freed.why == ()
    commands = asked(tmp_path)
    assert [each[:4] for each in commands[2:]] == [DRY] * 31
    assert all(each[0] == "list" for each in commands[:2])
    assert not (tmp_path / "DESTROYED").exists()
    await holding.freed(holding.candidates)
    assert len(asked(tmp_path)) == len(commands)  # what was asked once is known


async def test_data_sets_share_nothing_so_their_parts_add_up(
    tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers
) -> None:
    """One dry run for each data set; the pool's answer is the sum."""
    one, other = lived("skerry/hide-hub", 1), lived("skerry/nest cams", 2)
    holding = await pool_of(tmp_path, toolbox, workers, Dataset("skerry"), one, other)
    freed = await holding.freed(holding.candidates)
    assert freed.bounds.least == one.truth(list(one.snapshots)) + other.truth(list(other.snapshots))
    # They are asked at the same time, so either may come first.
    assert sorted(each[4] for each in asked(tmp_path)[2:]) == ["skerry/hide-hub@s0%s4", "skerry/nest cams@s0%s4"]
    assert (await holding.freed([])).bounds == Bounds(0, 0)


def test_sets_are_named_by_their_stretches() -> None:
    """As zfs-destroy(8) has it: a comma between names, a per cent sign between the ends of a stretch."""
    assert dry_run("skerry/hide-hub", [["a", "b", "c"], ["e"], ["g", "h"]]) == (
        "zfs", "destroy", "-n", "-v", "-p", "skerry/hide-hub@a%c,e,g%h",
    )  # fmt: skip


@pytest.mark.parametrize(
    "argv",
    [
        ("zfs", "destroy", "skerry@a"),
        ("zfs", "destroy", "-v", "-n", "-p", "skerry@a"),
        ("zfs", "destroy", "-n", "-v", "-p", "-r", "skerry@a"),
        ("zfs", "destroy", "-n", "-v", "-p", "skerry"),
        ("zfs", "destroy", "-n", "-v", "-p", "-R@a"),
        ("zfs", "destroy", "-n", "-v", "-p", "skerry#bookmark"),
        ("zfs", "destroy", "-n", "-v", "-p", "skerry@a\n"),
        ("zfs", "destroy", "-n", "-v", "-p", "skerry@%"),
        ("zfs", "destroy", "-n", "-v", "-p", "skerry@a,"),
        ("zfs", "destroy", "-n", "-v", "-p", "skerry@"),
        ("zfs", "destroy", "-n", "-v", "-p", "sker ry/../x@$(reboot)"),
        ("zfs", "rollback", "-n", "-v", "-p", "skerry@a"),
        ("zfs", "destroy", "-nrf", "-v", "-p", "skerry@a"),
    ],
)
def test_what_is_no_dry_run_gets_nowhere(argv: tuple[str, ...]) -> None:
    """Without -n in its place, with more options, for anything but snapshots, or with odd signs: it is not run."""
    with pytest.raises(NoDryRun, match="is not a dry run"):
        guarded(argv)


@given(st.text(), st.lists(st.lists(st.text(), min_size=1, max_size=3), min_size=1, max_size=3))
def test_no_names_make_anything_but_a_dry_run(dataset: str, stretches: list[list[str]]) -> None:
    """Whatever a name holds: either it is refused, or -n stands before one target and no other option comes."""
    try:
        argv = dry_run(dataset, stretches)
    except NoDryRun:
        return
    assert argv[:5] == ("zfs", *DRY)
    assert len(argv) == 6
    assert re.fullmatch(r"[A-Za-z][A-Za-z0-9_.: /-]*@[A-Za-z0-9_.: ,%-]+", argv[5])


def strings(path: Path) -> list[str]:
    """The text of every constant in a file that is not a docstring."""
    tree = ast.parse(path.read_text("utf-8"))
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs
    ]


def test_the_word_stands_in_one_file_and_only_before_n() -> None:
    """No other file of the package holds the word as a text of its own, and there -n always follows it."""
    package = Path(watchkeeper.__file__).parent
    holding = {path.relative_to(package).as_posix() for path in package.rglob("*.py") if "destroy" in strings(path)}
    assert holding == {"inventory/reclaim/zfs.py"}
    source = (package / "inventory/reclaim/zfs.py").read_text("utf-8")
    code = re.sub(r'""".*?"""', "", source, flags=re.DOTALL)
    assert re.findall(r'"destroy", ("[^"]*")', code) == ['"-n"', '"-n"']
    # The third place reads the word in what the dry run printed.
    assert code.count('"destroy"') == 3
    assert 'word == "destroy"' in code
    # What is run is either a list or what the guard let through.
    tree = ast.parse(source)
    runs = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and ast.unparse(node.func) == "run_tool"]
    assert {ast.unparse(node.args[1]) for node in runs} == {"argv", "LIST_CHECKPOINTS"}
    assert freeing_zfs.LIST_CHECKPOINTS[:2] == ("zpool", "list")
    assert "argv = dry_run(name, stretches)" in source
    assert "for argv in (LIST_SNAPSHOTS, LIST_DATASETS)" in source


async def test_hostile_names_of_snapshots_change_nothing(
    tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers
) -> None:
    """Names that no pool gives, were they ever listed, are told by their counts, and no dry run is made of them."""
    odd = ["-r", "a%b", "$(reboot)", "a;b", "ü", "a#b"]
    dataset = Dataset("skerry/hide-hub")
    for number, label in enumerate(odd):
        dataset.write(number)
        dataset.snapshot(label, number)
    holding = await pool_of(tmp_path, toolbox, workers, dataset)
    for each in holding.candidates:
        freed = await holding.freed([each])
        assert freed.bounds == each.alone
    assert all(argv[:4] == DRY or argv[0] == "list" for argv in asked(tmp_path))
    assert not (tmp_path / "DESTROYED").exists()
    assert {argv[4] for argv in asked(tmp_path) if argv[0] == "destroy"} <= {
        "skerry/hide-hub@-r", "skerry/hide-hub@a%b",
    }  # fmt: skip


async def test_holds_and_clones_are_told(tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers) -> None:
    """A snapshot with a clone or a hold says so; the dry run that a clone makes fail gives way to the counts."""
    dataset = lived("skerry/hide-hub", 3)
    dataset.clones["s1"], dataset.holds["s2"] = "skerry/trial,skerry/other", 2
    holding = await pool_of(tmp_path, toolbox, workers, dataset)
    stuck = {each.label: each.stuck for each in holding.candidates}
    assert stuck["s0"] == ""
    assert stuck["s1"] == "a clone depends on it: skerry/trial,skerry/other"
    assert stuck["s2"] == "it has a hold (2): see zfs holds and zfs release"
    freed = await holding.freed(named(holding, "skerry/hide-hub@s0", "skerry/hide-hub@s1"))
    assert "dependent clones" in freed.why[0]
    assert freed.bounds.least <= dataset.truth(["s0", "s1"]) <= (freed.bounds.most or 0)


@pytest.mark.parametrize("seed", range(12))
async def test_without_a_dry_run_the_counts_bound_every_subset(
    tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers, seed: int
) -> None:
    """Where the pool refuses, the truth is within what `used` and `usedbysnapshots` say; the reason is told."""
    dataset = lived("skerry/hide-hub", seed, 4)
    holding = await pool_of(tmp_path, toolbox, workers, dataset)
    toolbox.says("zfs", "", status=1, stderr="cannot open 'skerry': permission denied\n")
    for size in range(1, 5):
        for labels in itertools.combinations(dataset.snapshots, size):
            freed = await holding.freed(named(holding, *(f"skerry/hide-hub@{label}" for label in labels)))
            assert freed.bounds.most is not None
            assert freed.bounds.least <= dataset.truth(labels) <= freed.bounds.most
            assert freed.bounds.exact or "permission denied" in freed.why[0]


async def test_a_dry_run_about_other_snapshots_is_not_believed(
    tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers
) -> None:
    """One went between the list and the question: bounds are told, and why."""
    dataset = lived("skerry/hide-hub", 5)
    holding = await pool_of(tmp_path, toolbox, workers, dataset)
    some = named(holding, *(f"skerry/hide-hub@s{n}" for n in range(1, 4)))
    del dataset.snapshots["s2"]
    put_zfs(toolbox.folder, tmp_path, [dataset])
    freed = await holding.freed(some)
    (why,) = freed.why
    assert "some were made or deleted meanwhile" in why
    assert not freed.bounds.exact
    assert freed.bounds.most is None or freed.bounds.least < freed.bounds.most
    for text in ("", "reclaim\t5\n", "destroy\tskerry@a\n", "destroy\tskerry@a\nreclaim\tmuch\n"):
        with pytest.raises(ProbeError, match="some were made or deleted"):
            read_reclaimed(text, {"skerry@a"})
    assert read_reclaimed("destroy\tskerry@a\nreclaim\t12\n", {"skerry@a"}) == 12


async def test_set_aside_room_comes_back_with_the_snapshots(
    tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers
) -> None:
    """A volume with a reservation: with all its snapshots the pool gets back what the dry run does not tell."""
    dataset = Dataset("skerry/hide-hub", refreservation=20 * BLOCK_BYTES)
    for turn in range(3):
        for spot in range(4):
            dataset.write(spot)
        dataset.snapshot(f"s{turn}", turn)
    dataset.write(0)
    used = dataset.used
    holding = await pool_of(tmp_path, toolbox, workers, dataset)
    freed = await holding.freed(holding.candidates)
    after = Dataset("after", dict(dataset.head), refreservation=dataset.refreservation)
    assert freed.bounds == Bounds(used - after.used, used - after.used)
    assert freed.set_aside == Bounds(3 * BLOCK_BYTES, 3 * BLOCK_BYTES)
    oldest = await holding.freed(named(holding, "skerry/hide-hub@s0"))
    assert oldest.bounds.exact
    newest = await holding.freed(named(holding, "skerry/hide-hub@s2"))
    assert not newest.bounds.exact
    assert "has a reservation" in newest.why[0]


async def test_beneath_a_reservation(tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers) -> None:
    """A reservation that is not used up keeps what comes free; the reason says so."""
    dataset = lived("skerry/hide-hub", 9)
    dataset.reservation = 1000 * BLOCK_BYTES
    holding = await pool_of(tmp_path, toolbox, workers, Dataset("skerry"), dataset)
    freed = await holding.freed(holding.candidates)
    assert freed.bounds == Bounds(0, 0)
    assert "covered by a reservation" in freed.why[0]


async def test_a_checkpoint_holds_what_comes_free(tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers) -> None:
    """zpoolprops(7): a number while there is one. Nothing is certain then; another pool's does not matter."""
    dataset = lived("skerry/hide-hub", 9)
    toolbox.says("zpool", "skerry\t4096\njetty\t-\n")
    holding = await pool_of(tmp_path, toolbox, workers, dataset)
    freed = await holding.freed(holding.candidates)
    assert freed.bounds == Bounds(0, dataset.truth(list(dataset.snapshots)))
    assert freed.why == (freeing_zfs.CHECKPOINT,)
    assert (await holding.freed([])).why == ()
    toolbox.says("zpool", "skerry\t-\njetty\t4096\n")
    holding = await pool_of(tmp_path, toolbox, workers, dataset)
    assert (await holding.freed(holding.candidates)).bounds.exact


def test_a_real_list() -> None:
    """The lines of a real pool with the three more fields, in the order of their making."""
    lines = [line.split("\t") for line in sample("zfs-list-snapshots.txt").stdout.splitlines()]
    text = "".join(f"{name}\t{made}\t{90 - n}\t{used}\t0\t\n" for n, (name, made, used, _) in enumerate(lines))
    taken = read_taken(text)
    assert [each.name for each in taken] == [
        "tank/vm/disk0@pre-upgrade", "tank/home@daily-2", "tank/home@daily-1", "tank/backup@weekly-1",
    ]  # fmt: skip
    assert (taken[2].used, taken[2].stuck) == (21053440, "")
    with pytest.raises(ProbeError, match="an unexpected line"):
        read_taken("tank@a\t1\n")


async def test_a_data_set_that_goes_between_the_lists(tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers) -> None:
    """Its snapshots are listed and it is not: nothing is known above what each holds alone."""
    toolbox.answers(
        "zfs", [("-t snapshot", "skerry/gone@a\t1\t1\t5\t0\t-\nskerry/gone@b\t2\t2\t6\t0\t-\n"), ("list", "")]
    )
    (holding,) = await freeing_zfs.look(place(tmp_path, workers))
    assert (await holding.freed(holding.candidates)).bounds == Bounds(11, None)


async def test_no_zfs_here(tmp_path: Path, toolbox: Toolbox, workers: ThreadWorkers) -> None:
    """A host without the tool says so."""
    assert toolbox.folder.exists()
    with pytest.raises(ToolMissing):
        await freeing_zfs.look(place(tmp_path, workers))
