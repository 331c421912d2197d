"""What bounds a template's work: it counts its steps, and no text in it becomes longer than the longest body.

A step is one turn of a loop, one call of a macro or one filter, and more for a filter over a long text. The steps are
counted by calls that are put into the parsed template, so that a loop with an empty body counts as well. Not here: what
a template may name, and how it is rendered (template.py).
"""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import Any

from jinja2 import TemplateError, nodes, pass_context
from jinja2.compiler import CodeGenerator, Frame
from jinja2.environment import Environment

STEPS_LIMIT = 20_000
"""Hundreds of times what a long message needs; measured at about 50 ms."""

LONGEST_TEXT = 256 * 1024
"""Characters, or items of a list."""

_ITEMS_PER_STEP = 64

_COUNT = "count a step"
"""The name of a filter that no template can write."""

_spent: ContextVar[list[int]] = ContextVar("spent")


class TooMuch(TemplateError):
    """The template does more than is allowed."""


@contextmanager
def counted() -> Iterator[None]:
    """Count the steps of what is rendered here from zero."""
    token = _spent.set([0])
    try:
        yield
    finally:
        _spent.reset(token)


def _spend(steps: int) -> None:
    spent = _spent.get(None)
    if spent is not None:
        spent[0] += steps
        if spent[0] > STEPS_LIMIT:
            raise TooMuch(f"takes more than {STEPS_LIMIT:,} steps; write shorter loops")


@pass_context  # so that it is not evaluated when the template is compiled
def _count(_context: object, value: object) -> object:
    _spend(1)
    return value


def bound(environment: Environment) -> None:
    """Count the work of every filter of an environment."""
    for name, made in list(environment.filters.items()):
        environment.filters[name] = _bounded(name, made)
    environment.filters[_COUNT] = _count


def with_counting(parsed: nodes.Template) -> nodes.Template:
    """A parsed template that counts each turn of its loops and each call of its macros."""
    repeated: list[nodes.For | nodes.Macro | nodes.CallBlock] = []
    for kind in (nodes.For, nodes.Macro, nodes.CallBlock):
        repeated += parsed.find_all(kind)
    for each in repeated:
        if isinstance(each, nodes.For) and each.test is not None:
            each.test = nodes.And(_step(each.lineno), each.test, lineno=each.lineno)
        each.body.insert(0, nodes.ExprStmt(_step(each.lineno), lineno=each.lineno))
    return parsed


def _step(line: int) -> nodes.Expr:
    return nodes.Filter(nodes.Const(True, lineno=line), _COUNT, [], [], None, None, lineno=line)


def _bounded(name: str, made: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(made)
    def filtered(*args: Any, **named: Any) -> Any:  # noqa: ANN401  whatever a template has
        _spend(1 + sum(map(_size, (*args, *named.values()))) // _ITEMS_PER_STEP)
        if name in ("join", "replace"):
            args = _widening(name, args, named)
        return checked(made(*args, **named))

    return filtered


def _widening(name: str, args: tuple[Any, ...], named: dict[str, Any]) -> tuple[Any, ...]:
    """Refuse a join or a replacement whose result would be too long, before it is made. args: the context first."""
    context, value, *rest = args
    if name == "join":
        value = list(value)
        between = rest[0] if rest else named.get("d", "")
        length = len(value) * len(str(between))
    else:
        old, new = (str(rest[n] if len(rest) > n else named.get(key, "")) for n, key in enumerate(("old", "new")))
        value = str(value)
        length = value.count(old) * len(new)
    if length > LONGEST_TEXT:
        raise TooMuch(f"makes a text of more than {LONGEST_TEXT // 1024} KiB; write less")
    return context, value, *rest


def checked(made: Any) -> Any:  # noqa: ANN401  whatever a filter or an operator returns
    """Return a value that is short enough. Raises TooMuch."""
    if _size(made) > LONGEST_TEXT:
        raise TooMuch(f"makes a text of more than {LONGEST_TEXT // 1024} KiB; write less")
    return made


def _size(value: object) -> int:
    return len(value) if isinstance(value, str | list | tuple | dict) else 0


def concat(parts: Iterable[object]) -> str:
    """What `~`, a macro and a block make. Raises TooMuch."""
    _spend(1)
    texts = [str(each) for each in parts]
    if sum(map(len, texts)) > LONGEST_TEXT:
        raise TooMuch(f"makes a text of more than {LONGEST_TEXT // 1024} KiB; write less")
    return "".join(texts)


class BoundedCode(CodeGenerator):
    """Makes `~` call concat()."""

    def visit_Concat(self, node: nodes.Concat, frame: Frame) -> None:  # noqa: N802  the library's name
        """Write a call with all parts."""
        self.write("environment.concat((")
        for each in node.nodes:
            self.visit(each, frame)
            self.write(", ")
        self.write("))")
