"""The documentation agrees with the code: the README's reference, the example of a configuration, the version."""

import re
import shlex
import tomllib
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

import watchkeeper
from watchkeeper.cli import COMMANDS, reference
from watchkeeper.config import words
from watchkeeper.config.loading import check_document
from watchkeeper.config.secrets import Secrets
from watchkeeper.core.alerts import Priority, State
from watchkeeper.logs.fields import Event

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "config.example.toml"
MODEL = reference.MODEL
TABLES = list(reference.tables(MODEL))
README = (ROOT / "README.md").read_text(encoding="utf-8")
TEXTS = [*sorted(ROOT.glob("*.md")), *sorted(reference.MANUAL.glob("*.md"))]


def prose(path: Path) -> str:
    """A text without its blocks of code, where nothing is a link or a heading."""
    return re.sub(r"^```.*?^```", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)


def anchors(path: Path) -> set[str]:
    """The names by which a text's headings are linked to, as renderers of Markdown make them."""
    headings = re.findall(r"^#+ (.+)$", prose(path), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", each.lower()).replace(" ", "-") for each in headings}


def tables_in(path: Path) -> list[str]:
    """The pieces of a configuration in a text; not the packages' own files, nor kinds that other packages bring."""
    blocks = re.findall(r"^```toml\n(.*?)^```", path.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    return [each for each in blocks if "[project]" not in each and 'kind = "tide"' not in each]


def commands_in(path: Path) -> list[str]:
    """What a text calls watchkeeper with: in blocks of code at the start of a command, and between backticks."""
    text = path.read_text(encoding="utf-8")
    blocks = "\n".join(re.findall(r"^```(?:sh)?\n(.*?)^```", text, re.MULTILINE | re.DOTALL))
    block_lines = re.findall(
        r"(?:^|&& |\|\| |sudo )(?:\.venv/bin/)?watchkeeper +([a-z-][^\n|&]*)", blocks, re.MULTILINE
    )
    return block_lines + re.findall(r"`(?:\.venv/bin/)?watchkeeper +([a-z-][^`]*)`", prose(path))


def is_known(line: str) -> bool:
    """Does a command with these options exist?"""
    words = shlex.split(line.replace("[OPTIONS]", ""), comments=True)
    words = words[2:] if words[0] == "--config" else words
    if words[0] in ("is", "was", "cannot", "on"):  # a sentence that is printed
        return True
    if words[0] not in COMMANDS:
        return words[0] in ("--version", "--help")
    options = {each for one in COMMANDS[words[0]].command().params for each in one.opts} | {"--config", "--help"}
    return {word.partition("=")[0] for word in words[1:] if word.startswith("-")} <= options


def uncommented(text: str) -> str:
    """The example with every key and every table that stands in it as a comment."""
    return re.sub(r"^#(?=[a-z_]+ = |\[)", "", text, flags=re.MULTILINE)


@pytest.fixture
def whole(tmp_path: Path) -> dict[str, Any]:
    """The example with every key set, and with files where it names files."""
    text = uncommented(EXAMPLE.read_text(encoding="utf-8"))
    for path in set(re.findall(r'"(/etc/watchkeeper/[^"]+)"', text)):
        (tmp_path / Path(path).name).write_text("what stands in the place of each secret")
    return tomllib.loads(text.replace("/etc/watchkeeper/", f"{tmp_path}/"))


def of_table(document: dict[str, Any], table: reference.Table) -> dict[str, Any]:
    """What a document holds for a table of the reference."""
    kinds = re.fullmatch(r'\[\[(\w+)\]\] of kind = "([\w-]+)"', table.title)
    if kinds:  # several tables of a kind are taken together; the first that has a key counts
        found = [each for each in document[kinds[1]] if each["kind"] == kinds[2]]
        return {key: value for each in reversed(found) for key, value in each.items()}
    at = document
    for key in table.title.strip("[]").split(".") if table.title.startswith("[") else ():
        at = at[key]
    return at


def test_the_example_can_be_used_as_it_is() -> None:
    """Nothing in it needs a file that is not there."""
    document = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    assert check_document(MODEL, document, Secrets.NEEDED).warnings == ()


def test_the_example_can_be_used_with_every_key_set(whole: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """A comment can be taken away without an error."""
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    check_document(MODEL, whole, Secrets.LOOKED_AT)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.title)
def test_the_example_has_every_key(table: reference.Table, whole: dict[str, Any]) -> None:
    """Each key of each table stands in it, set or as a comment; no key stands there that is not known."""
    assert set(table.keys()) <= set(of_table(whole, table))


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.title)
def test_the_example_shows_the_defaults(table: reference.Table, whole: dict[str, Any]) -> None:
    """A key that stands there as a comment shows its default, where it has one that can be written."""
    document = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    try:
        is_set = of_table(document, table)
    except KeyError:
        is_set = {}
    for key, field in table.keys().items():
        default = reference.default(field)
        if key not in is_set and default not in ("", "must be set"):
            shown = words.written(of_table(whole, table)[key])
            assert shown == default, f"{table.title} {key}"


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.title)
def test_every_key_is_explained(table: reference.Table) -> None:
    """Each key says what it is for, in its field or in its model's docstring."""
    assert [key for key, field in table.keys().items() if not reference.meaning(table.model, key, field)] == []
    assert reference.summary(table.model)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_says_how_it_ends_and_how_it_is_used(name: str) -> None:
    """Each command's help has an example and its exit codes, and each option a line of help."""
    command = COMMANDS[name].command()
    said = command.help or ""
    assert f"watchkeeper {name}" in said or f" {name}" in said
    assert "Exit codes:" in said
    assert COMMANDS[name].help
    for each in command.params:
        explained = getattr(each, "help", None) or f"{each.human_readable_name} " in said
        assert explained, f"{name} {each.name}"


def test_the_version_is_said_once() -> None:
    """What the package says of itself is what pyproject.toml says."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert watchkeeper.__version__ == version("watchkeeper") == project["version"]


@pytest.mark.parametrize("word", [*(each.word for each in Priority), *(each.value for each in State)])
def test_the_glossary_knows_the_words_of_alerts(word: str) -> None:
    """Priorities and states are explained to contributors under the names that the code uses."""
    glossary = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert re.search(rf"\b{word}\b", glossary)


@pytest.mark.parametrize("path", [*TEXTS, EXAMPLE], ids=lambda path: path.name)
def test_links_and_files_that_are_named_are_there(path: Path) -> None:
    """A relative link leads to a file that is there, and to a heading that it has."""
    for link, anchor in re.findall(r"\]\((?!https?:)([^)#\s]*)(?:#([^)]*))?\)", prose(path)):
        there = (path.parent / link).resolve() if link else path
        assert there.exists(), link
        assert not anchor or anchor in anchors(there), f"{link}#{anchor}"


def test_the_contents_name_every_chapter() -> None:
    """The README's list of contents is whole, and in order."""
    chapters = re.findall(r"^## (.+)$", prose(ROOT / "README.md"), re.MULTILINE)
    listed = re.findall(r"^- \[(.+)\]\(#", README, re.MULTILINE)
    assert listed == [each for each in chapters if each != "Contents"]


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: path.name)
def test_commands_in_the_docs_exist(path: Path) -> None:
    """Each command that a text names is one of watchkeeper's, and so is each option that stands behind it."""
    unknown = [line for line in commands_in(path) if not is_known(line)]
    assert unknown == []


@pytest.mark.parametrize(("path", "number"), [(p, n) for p in TEXTS for n in range(len(tables_in(p)))], ids=str)
def test_configurations_in_the_docs_can_be_used(path: Path, number: int) -> None:
    """Each piece of a configuration loads, whatever secrets it names."""
    check_document(MODEL, tomllib.loads(tables_in(path)[number]), Secrets.LEFT_ALONE)


def test_the_layers_are_told_as_they_are() -> None:
    """DEVELOPERS.md names the layers in the order that the linter holds the code to."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = project["tool"]["importlinter"]["contracts"][0]["layers"]
    told = (
        (ROOT / "DEVELOPERS.md")
        .read_text(encoding="utf-8")
        .partition("Imports go downward only:")[2]
        .partition(". ")[0]
    )
    named = [re.findall(r"`(\w+)`", layer) for layer in told.split("→")]
    assert named == [[each.strip().removeprefix("watchkeeper.") for each in layer.split("|")] for layer in layers]


def test_every_sort_of_log_line_is_listed() -> None:
    """People filter the journal by them: the README's table has each, and no other."""
    table = README.partition("\n| event | when |\n")[2].partition("\n\n")[0]
    listed = [word for row in table.splitlines()[1:] for word in re.findall(r"`([\w-]+)`", row.split("|")[1])]
    assert sorted(listed) == sorted(each.value for each in Event)


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: path.name)
def test_figures_of_the_bench_have_their_date(path: Path) -> None:
    """A paragraph that quotes a script of tests/bench with a figure says when that was measured."""
    undated = [
        each
        for each in re.split(r"\n\n+|^\d+\. ", prose(path), flags=re.MULTILINE)
        if re.search(r"tests[./]bench[./]\w+", each)
        and "Budget" not in each
        and re.search(r"\d (ms|s|MB|kB|%|messages)\b|\d\.\d", each)
        and not re.search(r"\b\d{1,2}\s+November\s+2026\b", each)
    ]
    assert undated == []
