"""No function of the package is more complex, and no folder fuller, than can be read at once."""

import ast
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "watchkeeper"
MOST = 15
"""As house rule. Ruff's C901 counts neither the operands of `and` and `or` nor comprehensions; these count here."""


MODULES = 15
"""So many modules a folder: beyond that, cut it by the field's nouns."""

BRANCHES = (ast.If, ast.IfExp, ast.For, ast.AsyncFor, ast.While, ast.ExceptHandler, ast.match_case)


def complexity(function: ast.AST) -> int:
    """One, and one more for each branch, loop, operand of a boolean, comprehension with its conditions, and case."""
    count = 1
    for node in ast.walk(function):
        if isinstance(node, BRANCHES):
            count += 1
        elif isinstance(node, ast.BoolOp):
            count += len(node.values) - 1
        elif isinstance(node, ast.comprehension):
            count += 1 + len(node.ifs)
    return count


def functions() -> Iterator[tuple[str, int]]:
    """Every function of the package, and how complex it is."""
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                yield f"{path.relative_to(PACKAGE)}:{node.lineno} {node.name}", complexity(node)


def test_what_is_counted() -> None:
    """A plain function is 1."""
    source = "def f(x):\n    return [a or b for a in x if a and b] if x else 0\n"
    assert complexity(ast.parse("def f(): pass")) == 1
    assert complexity(ast.parse(source)) == 1 + 1 + 1 + 1 + 2


def test_no_function_is_too_complex() -> None:
    """Where one is, split it by what its parts decide."""
    counted = dict(functions())
    assert len(counted) > 1_000
    assert {name: count for name, count in counted.items() if count > MOST} == {}


def test_no_folder_is_too_full() -> None:
    """A newcomer finds the module from the names of folders."""
    counted = Counter(path.parent for path in PACKAGE.rglob("*.py") if path.name != "__init__.py")
    assert len(counted) > 50
    assert {str(folder.relative_to(PACKAGE)): count for folder, count in counted.items() if count > MODULES} == {}
