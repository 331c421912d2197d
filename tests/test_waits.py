"""No test waits without an end: what hangs must fail where it stands, and not hold the whole check up."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent
APART = {HERE / "host", HERE / "bench", HERE / "web" / "node_modules"}
"""Run on purpose and alone; not ours."""
FILES = sorted(path for path in HERE.rglob("*.py") if not APART & set(path.parents))
WAITS = {"wait", "join", "communicate", "result"}
"""Of processes, threads, futures: each takes a bound. What is awaited is ended by the test's own."""


def endless(text: str) -> Iterator[tuple[int, str]]:
    """The lines that may wait without a bound, and why."""
    tree = ast.parse(text)
    awaited = {id(part) for node in ast.walk(tree) if _awaits(node) for part in ast.walk(node)}
    for node in ast.walk(tree):
        match node:
            case ast.While(test=ast.Constant(value=value)) if value:
                yield node.lineno, "a loop without a condition: count, or look at a clock"
            case ast.Call(func=ast.Name(id="iter"), args=[_, _]):
                yield node.lineno, "iter() up to a value: count, or look at a clock"
            case ast.Call(func=ast.Attribute(value=ast.Name(id="subprocess"), attr="run"), keywords=words):
                if not {"timeout", None} & {each.arg for each in words}:
                    yield node.lineno, "subprocess.run() without timeout"
            case ast.Call(func=ast.Attribute(value=ast.Name(), attr=name), args=[], keywords=[]) if name in WAITS:
                if id(node) not in awaited:
                    yield node.lineno, f"{name}() without a bound"


def _awaits(node: ast.AST) -> bool:
    """Is what stands in it waited for by an event loop?"""
    takers = ("run_coroutine_threadsafe", "ensure_future", "create_task")
    return isinstance(node, ast.Await) or (isinstance(node, ast.Call) and ast.unparse(node.func).endswith(takers))


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(HERE)))
def test_every_wait_has_a_bound(path: Path) -> None:
    """Loops, programs, processes and threads are waited for with one."""
    assert list(endless(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize("always", ["True", "1"])
def test_the_search_can_find(always: str) -> None:
    """Each kind is found, and its bounded form is not."""
    wrong = f"while {always}:\n pass\niter(f, 1)\nsubprocess.run([])\np.wait()\nt.join()\nf.result()\np.communicate()\n"
    assert [line for line, _ in endless(wrong)] == [1, 3, 4, 5, 6, 7, 8]
    right = "for _ in range(9):\n pass\nsubprocess.run([], timeout=5)\np.wait(5)\nt.join(5)\np.communicate(timeout=5)\n"
    assert list(endless(right)) == []
