"""Writes the reference of the commands and of the configuration into the README: `python -m watchkeeper.cli.reference`.

Everything comes from the commands and the models themselves, so that it cannot drift; a test holds the README to it.
The README's lines `<!-- reference: commands -->` and `<!-- reference: configuration -->` say where a part begins, and
`<!-- end of reference -->` where it ends.
"""

import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from inspect import cleandoc
from pathlib import Path

import click
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from watchkeeper.cli import COMMANDS, main
from watchkeeper.config import words
from watchkeeper.config.types import ProbeSettings, SecretSource
from watchkeeper.notifiers.table import NOTIFIERS
from watchkeeper.probes.table import BUILT_IN
from watchkeeper.settings import Settings, settings_model

MODEL = settings_model((kind.settings for kind in BUILT_IN.values()), NOTIFIERS)
"""The document with the kinds that watchkeeper brings, whatever other packages bring here."""

README = Path(__file__).parents[2] / "README.md"


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the document: its title there, its model, and the keys that the title has said already."""

    title: str
    model: type[BaseModel]
    said: frozenset[str] = frozenset()

    def keys(self) -> dict[str, FieldInfo]:
        """The keys that hold values; tables within it have their own place."""
        fields = words.fields_of(self.model)
        return {key: field for key, field in fields.items() if key not in self.said and not _tables_in(key, field)}


def tables(model: type[Settings]) -> Iterator[Table]:
    """Every table of the document, in its order; the keys above all tables first."""
    yield from _tables("", model)
    for kind, probe in model.probe_types.items():
        yield Table(f'[[probe]] of kind = "{kind}"', probe, frozenset({"kind"}))
    for kind, notifier in model.notifier_types.items():
        yield Table(f'[[notifier]] of kind = "{kind}"', notifier, frozenset({"kind"}))


def _tables(path: str, model: type[BaseModel]) -> Iterator[Table]:
    table = Table(f"[{path}]" if path else "above all tables", model)
    if table.keys():
        yield table
    for key, field in words.fields_of(model).items():
        inner = words.model_of(words.annotation_of(field))
        if inner is not None and inner is not SecretSource:
            yield from _tables(f"{path}.{key}" if path else key, inner)


def _tables_in(key: str, field: FieldInfo) -> bool:
    """Is this key a table, or a list of tables, that has its own place?"""
    inner = words.model_of(words.annotation_of(field))
    return key in ("probe", "notifier") or (inner is not None and inner is not SecretSource)


def meaning(model: type[BaseModel], key: str, field: FieldInfo) -> str:
    """What a key is for: its field's own description, else what its model's docstring says of it."""
    if field.description:
        return field.description
    return next((said for each in model.__mro__ if (said := entries(each).get(key))), "")


def entries(model: type) -> dict[str, str]:
    """What a docstring says of each key: `user, password: to log in with`."""
    _, *parts = _split(model)
    said = zip(parts[::2], parts[1::2], strict=True)
    return {key: " ".join(text.split()).rstrip(".") for keys, text in said for key in keys.split(", ")}


def summary(model: type[BaseModel]) -> str:
    """What a table is for: the docstring before its first key."""
    return " ".join(_split(model)[0].split())


def _split(model: type) -> list[str]:
    """A docstring's words before its first key, then in turn keys and what is said of them."""
    doc = cleandoc(model.__dict__.get("__doc__") or "")
    if not issubclass(model, BaseModel):
        return [doc]
    key = "|".join(map(re.escape, words.fields_of(model)))
    return re.split(rf"(?:^|(?<=\. ))((?:(?:{key}), )*(?:{key})): ", doc, flags=re.MULTILINE) if key else [doc]


def default(field: FieldInfo) -> str:
    """A key's default as it is written in the document; empty where there is none to write."""
    if field.is_required():
        return "must be set"
    value = field.get_default(call_default_factory=True, validated_data={})
    annotation = words.annotation_of(field)
    if value is PydanticUndefined or value in (None, "", Path()) or (not value and isinstance(value, dict | tuple)):
        return '"never"' if value is None and words.takes_never(annotation) else ""
    return words.written(value, annotation)


def configuration() -> str:
    """Every key of every table, as Markdown."""
    return "\n\n".join("\n".join(_table(table)) for table in tables(MODEL))


def _table(table: Table) -> Iterator[str]:
    yield from (f"#### {table.title}", "", summary(table.model), "")
    yield from ("| key | takes | default | |", "|---|---|---|---|")
    for key, field in table.keys().items():
        takes, given = words.allowed(words.annotation_of(field)), default(field)
        cells = (
            f"`{key}`",
            takes,
            given if given in ("", "must be set") else f"`{given}`",
            meaning(table.model, key, field),
        )
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
    if issubclass(table.model, ProbeSettings):
        yield from ("| `[probe.rules...]` | tables | | rules of its own, on top of the general ones |",)


def commands() -> str:
    """Every command with its usage, help and options, as Markdown."""
    parts = [_options(main, click.Context(main))]
    parts += ["\n".join(_command(name, later.command())) for name, later in COMMANDS.items()]
    return "\n\n".join(part.strip() for part in parts)


def _command(name: str, command: click.Command) -> Iterator[str]:
    context = click.Context(command, info_name=name)
    usage = " ".join(["watchkeeper", name, *command.collect_usage_pieces(context)])
    yield from (f"#### {name}", "", f"`{usage}`", "")
    for part in re.split(r"\n\n+", cleandoc(command.help or "")):
        if part.startswith("\b\n"):
            yield from ("```sh", *part.removeprefix("\b\n").splitlines(), "```", "")
        else:
            yield from (" ".join(part.split()), "")
    yield _options(command, context)


def _options(command: click.Command, context: click.Context) -> str:
    records = [one.get_help_record(context) for one in command.params if isinstance(one, click.Option)]
    return "\n".join(f"- `{left}`: {' '.join(said.split())}" for left, said in (each for each in records if each))


PARTS: dict[str, Callable[[], str]] = {"commands": commands, "configuration": configuration}
END = "<!-- end of reference -->"


def written_into(text: str) -> str:
    """The README with its reference anew. Raises ValueError where a part has no place in it."""
    for part, write in PARTS.items():
        begin = f"<!-- reference: {part} -->"
        pattern = re.compile(re.escape(begin) + r".*?" + re.escape(END), re.DOTALL)
        found = pattern.search(text)
        if found is None:
            raise ValueError(f"the README has no {begin} with {END} after it")
        start, end = found.span()
        text = f"{text[:start]}{begin}\n\n{write()}\n\n{END}{text[end:]}"
    return text


if __name__ == "__main__":
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else README
    path.write_text(written_into(path.read_text(encoding="utf-8")), encoding="utf-8")
