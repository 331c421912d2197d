"""Writes the manual from the code, as Markdown into watchkeeper/manual/: `python -m watchkeeper.cli.docsgen.reference`.

Everything comes from the commands, the models, the runbook entries, the messages and the routes themselves, so that it
cannot become outdated; a test compares the files with it. This module writes the commands and the configuration; each
other part has its own module. The other files of that folder are written by hand.
"""

import re
import sys
import typing
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from inspect import cleandoc
from pathlib import Path

import click
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from watchkeeper.cli import COMMANDS, main
from watchkeeper.cli.docsgen import alerts as reference_alerts
from watchkeeper.cli.docsgen import api as reference_api
from watchkeeper.cli.docsgen import messages as reference_messages
from watchkeeper.cli.exit_codes import MEANING
from watchkeeper.config.errors import describe_types
from watchkeeper.config.types import ProbeSettings, SecretSource
from watchkeeper.notifiers import registry as notifiers
from watchkeeper.probes import registry as probes
from watchkeeper.settings import Settings, settings_model

MODEL = settings_model(
    (kind.settings for kind in probes.BUILT_IN.values()), (kind.settings for kind in notifiers.BUILT_IN.values())
)
"""The document with the kinds that watchkeeper brings, whatever other packages bring here."""

NO_DEFAULT = "must be set"

MANUAL = Path(__file__).parents[2] / "manual"
"""Lies in the package, so that an installed watchkeeper has it too."""

MADE = (
    "<!-- Made from the code by `python -m watchkeeper.cli.docsgen.reference`: change it there. -->\n"
    "[Back to the README](../../README.md)"
)


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the document: its title there, its model, and the keys that the title already states."""

    title: str
    model: type[BaseModel]
    said: frozenset[str] = frozenset()

    def keys(self) -> dict[str, FieldInfo]:
        """The keys that hold values; nested tables are listed separately."""
        fields = describe_types.fields_of(self.model)
        return {key: field for key, field in fields.items() if key not in self.said and not _tables_in(key, field)}

    def rows(self) -> Iterator[tuple[str, str, str, str]]:
        """Each key with what it accepts, its default, and its purpose."""
        for key, field in self.keys().items():
            yield (
                key,
                describe_types.allowed(describe_types.annotation_of(field)),
                default(field),
                meaning(self.model, key, field),
            )


def tables(model: type[Settings]) -> Iterator[Table]:
    """Every table of the document, in its order; the top-level keys first."""
    yield from _tables("", model)
    for kind, probe in model.probe_types.items():
        yield Table(f'[[probe]] of kind = "{kind}"', probe, frozenset({"kind"}))
    for kind, notifier in model.notifier_types.items():
        yield Table(f'[[notifier]] of kind = "{kind}"', notifier, frozenset({"kind"}))


def _tables(path: str, model: type[BaseModel]) -> Iterator[Table]:
    table = Table(f"[{path}]" if path else "above all tables", model)
    if table.keys():
        yield table
    for key, field in describe_types.fields_of(model).items():
        inner, place = describe_types.model_of(describe_types.annotation_of(field)), f"{path}.{key}" if path else key
        if inner is not None and not issubclass(inner, SecretSource):
            yield from _tables(place, inner)
        elif (listed := _listed(key, field)) is not None:
            yield Table(f"[[{place}]]", listed)


def _tables_in(key: str, field: FieldInfo) -> bool:
    """Whether this key is a table, or a list of tables, that is listed separately."""
    inner = describe_types.model_of(describe_types.annotation_of(field))
    several = (key in _OF_KINDS and field.annotation is not str) or _listed(key, field) is not None
    return several or (inner is not None and not issubclass(inner, SecretSource))


_OF_KINDS = ("probe", "notifier")
"""Lists of tables that have a kind."""


def _listed(key: str, field: FieldInfo) -> type[BaseModel] | None:
    """The model of a list of tables; None if it is no such list, or one of tables of several kinds."""
    inside = typing.get_args(describe_types.bare(describe_types.annotation_of(field)))
    model = describe_types.model_of(inside[0]) if inside and key not in _OF_KINDS else None
    return None if model is None or issubclass(model, SecretSource) else model


def meaning(model: type[BaseModel], key: str, field: FieldInfo) -> str:
    """What a key is for: its field's own description, else the entry in its model's docstring."""
    if field.description:
        return field.description
    return next((said for each in model.__mro__ if (said := entries(each).get(key))), "")


def entries(model: type) -> dict[str, str]:
    """The docstring's entry for each key: `user, password: to log in with`."""
    _, *parts = _split(model)
    said = zip(parts[::2], parts[1::2], strict=True)
    return {key: " ".join(text.split()).rstrip(".") for keys, text in said for key in keys.split(", ")}


def summary(model: type[BaseModel]) -> str:
    """What a table is for: the docstring before its first key."""
    return " ".join(_split(model)[0].split())


def _split(model: type) -> list[str]:
    """A docstring's text before its first key, then keys and their entries alternately."""
    doc = cleandoc(model.__dict__.get("__doc__") or "")
    if not issubclass(model, BaseModel):
        return [doc]
    key = "|".join(map(re.escape, describe_types.fields_of(model)))
    return re.split(rf"(?:^|(?<=\. ))((?:(?:{key}), )*(?:{key})): ", doc, flags=re.MULTILINE) if key else [doc]


def default(field: FieldInfo) -> str:
    """A key's default as it is written in the document; empty if there is none to write."""
    if field.is_required():
        return NO_DEFAULT
    value = field.get_default(call_default_factory=True, validated_data={})
    annotation = describe_types.annotation_of(field)
    if value is PydanticUndefined or value in (None, "", Path()) or (not value and isinstance(value, dict | tuple)):
        return '"never"' if value is None and describe_types.takes_never(annotation) else ""
    return describe_types.written(value, annotation)


def configuration() -> str:
    """Every key of every table, as Markdown."""
    return "\n\n".join("\n".join(_table(table)) for table in tables(MODEL))


def _table(table: Table) -> Iterator[str]:
    yield from (f"## {table.title}", "", summary(table.model), "")
    yield from ("| key | takes | default | |", "|---|---|---|---|")
    for key, takes, given, said in table.rows():
        cells = (f"`{key}`", takes, given if given in ("", NO_DEFAULT) else f"`{given}`", said)
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
    if issubclass(table.model, ProbeSettings):
        yield from ("| `[probe.rules...]` | tables | | rules for this probe alone |",)


def commands() -> str:
    """Every command with its usage, help and options, as Markdown."""
    parts = [_options(main, click.Context(main))]
    parts += ["\n".join(_command(name, later.command())) for name, later in COMMANDS.items()]
    return "\n\n".join(part.strip() for part in [*parts, _exit_codes()])


def _exit_codes() -> str:
    rows = [f"| {code} | {words} |" for code, words in MEANING.items()]
    head = ["## Exit codes", "", "Those from 64 on are from sysexits(3).", "", "| code | meaning |", "|---|---|"]
    return "\n".join([*head, *rows])


def _command(name: str, command: click.Command) -> Iterator[str]:
    context = click.Context(command, info_name=name)
    yield from (f"## {name}", "", f"`{usage(name, command, context)}`", "")
    for text in paragraphs(command.help or ""):
        lines = kept(text)
        yield from ("```sh", *lines, "```", "") if lines else (" ".join(text.split()), "")
    yield _options(command, context)


def usage(name: str, command: click.Command, context: click.Context) -> str:
    """How a command is called: `watchkeeper backup [OPTIONS] FILE`."""
    return " ".join(["watchkeeper", name, *command.collect_usage_pieces(context)])


def paragraphs(text: str) -> list[str]:
    """The paragraphs of a command's help."""
    return re.split(r"\n\n+", cleandoc(text))


def kept(text: str) -> list[str]:
    """The lines of a paragraph that click does not wrap; none if it is running text."""
    return text.removeprefix("\b\n").splitlines() if text.startswith("\b\n") else []


def options(command: click.Command, context: click.Context) -> Iterator[tuple[str, str]]:
    """Each option of a command as it is written, and what it does."""
    for one in command.params:
        record = one.get_help_record(context) if isinstance(one, click.Option) else None
        if record:
            yield record[0], " ".join(record[1].split())


def _options(command: click.Command, context: click.Context) -> str:
    return "\n".join(f"- `{left}`: {said}" for left, said in options(command, context))


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the manual: its file there, its title, and the function that makes it."""

    file: str
    title: str
    make: Callable[[], str]


PARTS = (
    Part("alerts.md", "What to do when an alert comes", reference_alerts.markdown),
    Part("commands.md", "The commands", commands),
    Part("configuration.md", "The configuration", configuration),
    Part("messages.md", "The messages", reference_messages.markdown),
    Part("api.md", "The API", reference_api.markdown),
)
"""The parts that are made from the code."""


def text(part: Part) -> str:
    """A part as it is written to its file."""
    return f"# {part.title}\n\n{MADE}\n\n{part.make()}\n"


def write(folder: Path) -> None:
    """Write every part again. Raises OSError."""
    for part in PARTS:
        (folder / part.file).write_text(text(part), encoding="utf-8")


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else MANUAL)
