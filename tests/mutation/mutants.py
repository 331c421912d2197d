"""Small faults in a module's source: where one can be made, and the source with it.

Each is one change of one node of the syntax tree, written into the text at the node's own place, so that all other
lines keep their numbers. Not here: which are drawn, and what the tests say to them (draw.py).
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One fault. first, last: offsets in the source's UTF-8 bytes of what is replaced."""

    line: int
    kind: str
    before: str
    after: str
    first: int
    last: int

    def applied(self, source: str) -> str:
        """The source with it."""
        encoded = source.encode()
        return (encoded[: self.first] + self.after.encode() + encoded[self.last :]).decode()


def mutants(source: str) -> list[Mutant]:
    """Every fault that can be made in a module, in the order of its lines."""
    encoded = source.encode()
    starts = [0]
    for line in encoded.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found = []
    for node in _code(ast.parse(source)):
        for kind, place, changed in _changes(node):
            first = starts[place.lineno - 1] + place.col_offset
            last = starts[(place.end_lineno or place.lineno) - 1] + (place.end_col_offset or 0)
            text = ast.unparse(ast.fix_missing_locations(changed))
            after = text if isinstance(changed, ast.stmt) else f"({text})"
            found.append(Mutant(place.lineno, kind, encoded[first:last].decode(), after, first, last))
    return sorted(found, key=lambda each: (each.line, each.first, each.kind))


def _code(tree: ast.AST) -> Iterator[ast.expr | ast.stmt]:
    """What runs: no annotations, no decorators (those of dataclasses change little that could be seen), no strings."""
    if isinstance(tree, ast.JoinedStr):
        return
    if isinstance(tree, ast.If) and isinstance(tree.test, ast.Name) and tree.test.id == "TYPE_CHECKING":
        return
    for name, value in ast.iter_fields(tree):
        if name in {"annotation", "returns", "decorator_list"}:
            continue
        for node in value if isinstance(value, list) else [value]:
            if isinstance(node, ast.expr | ast.stmt):
                yield node
            if isinstance(node, ast.AST):
                yield from _code(node)


Change = tuple[str, ast.expr | ast.stmt, ast.expr | ast.stmt]
"""Its kind, the node that is replaced, and what replaces it."""


def _changes(node: ast.expr | ast.stmt) -> Iterator[Change]:
    match node:
        case ast.Compare():
            for index, operator in enumerate(node.ops):
                ops = [*node.ops[:index], COMPARISONS[type(operator)](), *node.ops[index + 1 :]]
                yield "comparison", node, ast.Compare(node.left, ops, node.comparators)
        case ast.BoolOp():
            yield "and, or", node, ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
        case ast.BinOp() if type(node.op) in ARITHMETIC:
            yield "arithmetic", node, ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)
        case ast.If() | ast.While() | ast.IfExp():
            yield "condition", node.test, ast.UnaryOp(ast.Not(), node.test)
        case ast.UnaryOp(op=ast.Not()):
            yield "condition", node, node.operand
        case ast.Constant(value=bool() | int() | float() as value):
            yield "constant", node, ast.Constant(_another(value))
        case ast.Expr(value=ast.Call() | ast.Await()) | ast.AugAssign():
            yield "removed", node, ast.Pass()
        case _:
            pass


def _another(value: float) -> float:
    if isinstance(value, bool):
        return not value
    return value + 1 if isinstance(value, int) else value * 2 or 1.0
