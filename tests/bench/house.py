"""How large the code is and how it is cut: `python -m tests.bench.house`. Prints one line for each figure.

Files: modules of Python without `__init__.py`, in the folders that hold any. Lines include comments and blank ones.
"""

import ast
import statistics
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.test_complexity import complexity

ROOT = Path(__file__).parents[2]


def tracked(*patterns: str) -> list[Path]:
    """The files of the repository that match."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--", *patterns], cwd=ROOT, capture_output=True, check=True, timeout=60
    )
    return [ROOT / name for name in listed.stdout.decode().split("\0") if name and (ROOT / name).exists()]


def lines_of(paths: list[Path]) -> int:
    """Lines of all of these files."""
    return sum(path.read_bytes().count(b"\n") for path in paths)


def functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Every function of a module."""
    nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return (node for node in nodes if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef))


def main() -> None:
    """Print the table."""
    code, tests = tracked("watchkeeper/**.py"), tracked("tests/**.py")
    modules = [path for path in code if path.name != "__init__.py"]
    folders = Counter(path.parent.relative_to(ROOT) for path in modules)
    largest, most = folders.most_common(1)[0]
    lengths = sorted(each.end_lineno - each.lineno + 1 for path in code for each in functions(path) if each.end_lineno)
    worst, where = max((complexity(each), f"{path.name}: {each.name}") for path in code for each in functions(path))
    print(f"modules: {len(modules):,} in {len(folders)} folders")
    print(f"modules a folder: median {statistics.median(folders.values()):g}, most {most} ({largest})")
    print(f"loose modules in watchkeeper/: {folders[Path('watchkeeper')]}")
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        print(f"{name}: {text.count(chr(10))} lines, {len(text.split()):,} words")
    print(f"functions: {len(lengths):,}; lines: median {statistics.median(lengths):g}, longest {lengths[-1]}")
    print(f"largest complexity: {worst} ({where})")
    print(f"lines in watchkeeper/: {lines_of(code):,} of Python in {len(code)} files")
    print(f"lines in tests/: {lines_of(tests):,} of Python in {len(tests)} files")
    print("a sample of a disk: python -m tests.bench.sample_path", file=sys.stderr)


if __name__ == "__main__":
    main()
