"""A body of the operator's own: a Jinja2 template over the message's fields, in a sandbox, with limited output.

A template sees the fields by their names, all of them text, numbers, true, false or none; it has filters and tests, but
no methods of those values and no functions. Its steps and the length of its texts are bounded (template_limits.py), so
that nothing in it can run for long or produce huge output. It is tried
with every kind of message before anything starts: an error in it is reported then, with its line, and not in the night
when the first alarm cannot be sent. Not here: how a body is sent (webhook.py).
"""

import json
import traceback
from collections.abc import Iterator, Mapping
from typing import Any

from jinja2 import StrictUndefined, Template, TemplateError, TemplateSyntaxError, UndefinedError, meta, nodes
from jinja2.runtime import LoopContext
from jinja2.sandbox import ImmutableSandboxedEnvironment

from watchkeeper.model.message import Message
from watchkeeper.notifiers import cloudevent
from watchkeeper.notifiers.sample_messages import sample_messages
from watchkeeper.notifiers.webhook import template_limits

LONGEST_BYTES = 256 * 1024
"""The largest body that a template may make: many times the longest message."""

LONGEST_TEMPLATE = 64 * 1024
"""Characters in a template."""

_WIDE = ("batch", "center", "format", "indent", "pprint", "slice", "striptags", "urlize", "wordwrap", "xmlattr")
"""Filters that can produce huge output or take long, or that are of no use for text."""

_CHANGING = ("random",)
"""Each attempt must send the same bytes."""


class TemplateWrong(ValueError):
    """The template cannot be used; the text says in which line and why."""


class _Sandbox(ImmutableSandboxedEnvironment):
    """No methods, no functions, no multiplied text."""

    intercepted_binops = frozenset({"+", "*", "**", "%"})
    code_generator_class = template_limits.BoundedCode
    concat = staticmethod(template_limits.concat)

    def is_safe_attribute(self, obj: Any, attr: str, value: Any) -> bool:  # noqa: ANN401  whatever a template touches
        """Allow only the attributes of a loop."""
        return isinstance(obj, LoopContext) and super().is_safe_attribute(obj, attr, value)

    def call_binop(self, context: Any, operator: str, left: Any, right: Any) -> Any:  # noqa: ANN401  the library's
        """Allow only small numbers: text is not multiplied or formatted. Text and lists may be added."""
        if operator == "+":
            return template_limits.checked(super().call_binop(context, operator, left, right))
        if not all(isinstance(each, int | float) and abs(each) < 10**6 for each in (left, right)) or operator == "**":
            raise TemplateError(f'"{operator}" is allowed only for small numbers')
        return super().call_binop(context, operator, left, right)


def _environment() -> _Sandbox:
    made = _Sandbox(undefined=StrictUndefined, autoescape=False, keep_trailing_newline=True)
    made.globals.clear()  # range, lipsum and similar
    for name in (*_WIDE, *_CHANGING):
        made.filters.pop(name, None)
    template_limits.bound(made)
    return made


_ENVIRONMENT = _environment()

KNOWN = tuple(sorted(cloudevent.data(next(sample_messages())[1])))
"""The names that a template may use: the fields of a webhook's `data`."""


class Body:
    """A template that was tried with every kind of message."""

    def __init__(self, text: str, *, is_json: bool) -> None:
        """is_json: its output must be JSON. Raises TemplateWrong."""
        if len(text) > LONGEST_TEMPLATE:
            raise TemplateWrong(f"is longer than {LONGEST_TEMPLATE // 1024} KiB")
        self._template = _compiled(text)
        for kind, message in sample_messages():
            made = self._rendered(cloudevent.data(message))
            if is_json:
                _check_json(made, kind)

    def render(self, message: Message) -> bytes:
        """The body, the same bytes for the same message. Raises TemplateWrong if it is too long."""
        return self._rendered(cloudevent.data(message)).encode("utf-8", "replace")

    def _rendered(self, fields: Mapping[str, Any]) -> str:
        try:
            with template_limits.counted():
                return "".join(_bounded(self._template.generate(fields)))
        except UndefinedError as error:
            raise TemplateWrong(f"{_line(error)}: {error.message}; {_known()}") from None
        except TemplateError as error:
            raise TemplateWrong(f"{_line(error)}: {error.message}") from None
        except (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError) as error:
            raise TemplateWrong(f"{_line(error)}: {type(error).__name__}: {error}") from None
        except ValueError as error:
            if isinstance(error, TemplateWrong):
                raise
            raise TemplateWrong(f"{_line(error)}: {error}") from None


def _compiled(text: str) -> Template:
    try:
        parsed = _ENVIRONMENT.parse(text)
        unknown = meta.find_undeclared_variables(parsed) - set(KNOWN)
        for name in parsed.find_all(nodes.Name):
            if name.name in unknown:
                raise TemplateWrong(f"line {name.lineno}: unknown name {name.name}; {_known()}")
        with template_limits.counted():  # constant parts are evaluated here
            return _ENVIRONMENT.from_string(template_limits.with_counting(parsed))
    except TemplateSyntaxError as error:
        raise TemplateWrong(f"line {error.lineno}: {error.message}") from None
    except template_limits.TooMuch as error:
        raise TemplateWrong(str(error)) from None
    except RecursionError:
        raise TemplateWrong("is nested too deeply") from None


def _bounded(parts: Iterator[str]) -> Iterator[str]:
    size = 0
    for part in parts:
        size += len(part.encode("utf-8", "replace"))
        if size > LONGEST_BYTES:
            raise TemplateWrong(f"produces a body of more than {LONGEST_BYTES // 1024} KiB; write less")
        yield part


def _check_json(made: str, kind: str) -> None:
    try:
        json.loads(made)
    except (ValueError, RecursionError) as error:
        raise TemplateWrong(
            f"does not produce JSON for {kind}: {error}; write {{{{ headline | tojson }}}}, without quotes around it"
        ) from None


def _line(error: Exception) -> str:
    """The line of the template that raised the error."""
    lines = [each.lineno for each in traceback.extract_tb(error.__traceback__) if each.filename == "<template>"]
    return f"line {lines[-1]}" if lines else "in it"


def _known() -> str:
    return f"known names: {', '.join(KNOWN)}"
