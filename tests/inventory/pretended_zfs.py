"""A `zfs` that answers from data sets that really copy on write, as its manuals and its source say.

zfs-list(8), zfs-destroy(8); OpenZFS 2.1, cmd/zfs/zfs_main.c. It writes down every argument that it was given. Without
`-n` it leaves a mark that it would have destroyed.
"""

import json
import stat
import sys
from collections.abc import Collection, Sequence
from pathlib import Path

from tests.planning.cow import Dataset

ZFS = """
import json, sys
from pathlib import Path
sys.path.insert(0, {root!r})
from tests.inventory.pretended_zfs import main
sys.exit(main(Path({folder!r}), sys.argv[1:]))
"""


def put_zfs(tools: Path, folder: Path, datasets: Sequence[Dataset]) -> None:
    """Lay a `zfs` into a folder of tools that answers from these datasets."""
    root = str(Path(__file__).parents[2])
    program = tools / "zfs"
    program.write_text(f"#!{sys.executable}\n{ZFS.format(root=root, folder=str(folder))}")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    state = [vars(each) | {"snapshots": {k: sorted(v) for k, v in each.snapshots.items()}} for each in datasets]
    (folder / "state.json").write_text(json.dumps(state))


def asked(folder: Path) -> list[list[str]]:
    """Every command line that the `zfs` was given."""
    log = folder / "asked.jsonl"
    return [json.loads(line) for line in log.read_text().splitlines()] if log.exists() else []


def _load(folder: Path) -> dict[str, Dataset]:
    found = {}
    for each in json.loads((folder / "state.json").read_text()):
        head = {int(place): block for place, block in each.pop("head").items()}
        snapshots = {label: frozenset(blocks) for label, blocks in each.pop("snapshots").items()}
        found[each["name"]] = Dataset(head=head, snapshots=snapshots, **each)
    return found


def main(folder: Path, argv: list[str]) -> int:
    """Be `zfs`."""
    with (folder / "asked.jsonl").open("a") as log:
        log.write(json.dumps(argv) + "\n")
    datasets = _load(folder)
    match argv:
        case ["list", "-Hp", "-t", kinds, "-o", fields]:
            sys.stdout.writelines(f"{line}\n" for line in _list(datasets.values(), kinds, fields.split(",")))
            return 0
        case ["destroy", *options, target]:
            return _destroy(folder, datasets, options, target)
        case _:
            return _says("usage", 2)


def _says(why: str, status: int) -> int:
    sys.stderr.write(f"{why}\n")
    return status


def _list(datasets: Collection[Dataset], kinds: str, fields: Sequence[str]) -> list[str]:
    rows = []
    for number, each in enumerate(datasets):
        if kinds == "snapshot":
            rows += [
                {
                    "name": f"{each.name}@{label}", "creation": each.made_s[label], "createtxg": 100 * number + at,
                    "used": each.truth([label]), "userrefs": each.holds.get(label, 0),
                    "clones": each.clones.get(label, "-"),
                }
                for at, label in enumerate(each.snapshots)
            ]  # fmt: skip
        else:
            beneath = sum(max(one.used, one.reservation) for one in datasets if one.name.startswith(f"{each.name}/"))
            rows.append({
                "name": each.name, "used": each.used + beneath, "usedbydataset": each.own,
                "usedbysnapshots": each.truth(list(each.snapshots)), "usedbyrefreservation": each.reserved,
                "refreservation": each.refreservation, "reservation": each.reservation,
            })  # fmt: skip
    return ["\t".join(str(row[field]) for field in fields) for row in rows]


def _destroy(folder: Path, datasets: dict[str, Dataset], options: list[str], target: str) -> int:
    name, _, spec = target.partition("@")
    dataset = datasets[name]
    order = list(dataset.snapshots)
    chosen: set[int] = set()
    for part in spec.split(","):
        first, _, last = part.partition("%")
        if first not in order or (last or first) not in order:
            return _says(f"could not find any snapshots to destroy; check snapshot names: {part}", 1)
        chosen |= set(range(order.index(first), order.index(last or first) + 1))
    for at in sorted(chosen):
        if order[at] in dataset.clones:
            return _says(f"cannot destroy '{name}@{order[at]}': snapshot has dependent clones", 1)
    if "-n" not in options:
        (folder / "DESTROYED").write_text(target)
    sys.stdout.writelines(f"destroy\t{name}@{order[at]}\n" for at in sorted(chosen))
    sys.stdout.write(f"reclaim\t{_reclaimed(dataset, len(order), chosen)}\n")
    return 0


def _reclaimed(dataset: Dataset, count: int, chosen: set[int]) -> int:
    """The sum over the stretches without a gap, as the program does it."""
    reclaimed, first = 0, -1
    for at in range(count + 1):
        if at in chosen:
            first = at if first < 0 else first
        elif first >= 0:
            reclaimed += dataset.in_stretch(first, at - 1)
            first = -1
    return reclaimed
