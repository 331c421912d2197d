"""Draws faults at random, and counts how many of them the tests notice that mirror the module. Run on purpose:

    python -m tests.mutation.draw --draw 20 --seed 1 runtime alerting

Each area is a folder of the package. A fault is made in a copy of the repository. The tests of the module's own folder
run first, then those of its area and its neighbours; it has survived if all of them pass. One that runs into a bound
counts as noticed. Equal behaviour is not recognised: whether a survivor could be noticed at all has to be read.
"""

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.mutation.mutants import Mutant, mutants

ROOT = Path(__file__).parents[2]
TEST_S, RUN_S = 60, 400
"""Bounds of one test and of one run, in seconds; a run on a busy machine takes a minute or two."""

NEIGHBOURS = {"runtime": ("tests/periodic",), "forecast": ("tests/alerting",)}
"""Areas whose tests run through this one, and are run when its own have noticed nothing."""


def main() -> None:
    """Draw, run, print each and the score of each area."""
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("areas", nargs="+", metavar="AREA", help="folders of watchkeeper/")
    asked.add_argument("--draw", type=int, default=20, help="so many faults of each area")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--skip", type=int, default=0, help="so many of each draw were run before")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "watchkeeper"
        copied_to(copy)
        for area in given.areas:
            drawn = draw(area, given.draw, given.seed)[given.skip :]
            if not passes(copy, [f"tests/{area}"]):
                told(f"{area}: its tests fail without a fault, so they are not run with one")
                continue
            noticed = [report(copy, module, mutant) for module, mutant in drawn]
            told(f"{area}: {sum(noticed)} of {len(noticed)} noticed")


def draw(area: str, count: int, seed: int) -> list[tuple[str, Mutant]]:
    """Faults with their modules: a larger module is drawn from more often."""
    every = [(name, mutant) for name in modules(area) for mutant in mutants((ROOT / name).read_text(encoding="utf-8"))]
    return random.Random(f"{area} {seed}").sample(every, min(count, len(every)))


def modules(area: str) -> Iterator[str]:
    """The modules of an area, as paths within the repository."""
    for path in sorted((ROOT / "watchkeeper" / area).rglob("*.py")):
        yield str(path.relative_to(ROOT))


def copied_to(copy: Path) -> None:
    """The files of the repository, with changes that are not committed yet."""
    listed = ["git", "-C", str(ROOT), "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    for name in subprocess.run(listed, capture_output=True, text=True, check=True, timeout=120).stdout.split("\0")[:-1]:
        if (ROOT / name).is_file():
            (copy / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, copy / name)


def report(copy: Path, module: str, mutant: Mutant) -> bool:
    """Run the tests with one fault, and print whether they noticed."""
    path = copy / module
    source = path.read_text(encoding="utf-8")
    try:
        written(path, mutant.applied(source))
        noticed = not all(passes(copy, tests) for tests in mirrors(copy, module))
    finally:
        written(path, source)
    before, after = (" ".join(each.split())[:90] for each in (mutant.before, mutant.after))
    outcome = "noticed" if noticed else "SURVIVED"
    told(f"{outcome} {module}:{mutant.line} {mutant.kind}: {before} -> {after}")
    return noticed


def told(line: str) -> None:
    """Print a line at once: a draw takes hours."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def written(path: Path, source: str) -> None:
    """Write a module, and remove its bytecode: that is only known by the second and the size of its source."""
    path.write_text(source, encoding="utf-8")
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        compiled.unlink()


def mirrors(copy: Path, module: str) -> list[list[str]]:
    """What is run, one after the other: the tests of the module, of its folder, of its area, of its neighbours."""
    inner = Path(module).relative_to("watchkeeper")
    folder, area = Path("tests") / inner.parent, Path("tests") / inner.parts[0]
    around = (Path(each) for each in NEIGHBOURS.get(inner.parts[0], ()))
    found = [each for each in (folder / f"test_{inner.stem}.py", folder, area, *around) if (copy / each).exists()]
    steps: list[list[str]] = []
    for number, each in enumerate(found):
        step = [str(each), *(f"--ignore={before}" for before in found[:number])]
        if each not in found[:number]:
            steps.append(step)
    return steps


def passes(copy: Path, tests: Sequence[str]) -> bool:
    """Whether all these tests pass."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment |= {"PYTHONPATH": str(copy), "PYTHONHASHSEED": "1"}
    argv = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "--hypothesis-seed=1"]
    argv += ["-m", "not slow and not host and not browser", f"--timeout={TEST_S}", *tests]
    process = subprocess.Popen(
        argv, cwd=copy, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    try:
        return process.wait(RUN_S) in {0, 5}
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        process.wait(60)
        return False


if __name__ == "__main__":
    main()
