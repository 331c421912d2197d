"""The documents agree with the code and with each other: links, commands, keys, figures, dependencies, lengths.

Not here: what is generated (test_manual.py, test_alert_table.py, test_decisions.py), and examples that are executed
(test_docs_examples.py, test_walk.py).
"""

import ast
import re
import shlex
import sys
import tomllib
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

import watchkeeper
from tests.test_decisions import RECORDS
from watchkeeper.cli import COMMANDS
from watchkeeper.cli.docsgen import reference
from watchkeeper.config.errors import describe_types
from watchkeeper.config.loading import check_document
from watchkeeper.config.secrets import Secrets
from watchkeeper.logs.fields import Event
from watchkeeper.model.alert import Priority, State

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "config.example.toml"
MODEL = reference.MODEL
TABLES = list(reference.tables(MODEL))
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
MANUAL = sorted(reference.MANUAL.glob("*.md"))
TEXTS = [
    *sorted(ROOT.glob("*.md")),
    *MANUAL,
    *RECORDS,
    ROOT / "tests/bench/RESULTS.md",
    ROOT / "tests/host/README.md",
]


def named(path: Path) -> str:
    """A text as its tests are called."""
    return str(path.relative_to(ROOT))


def prose(path: Path) -> str:
    """A text without its blocks of code, where nothing is a link or a heading."""
    return re.sub(r"^```.*?^```", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)


def anchors(path: Path) -> set[str]:
    """The names by which a text's headings are linked to, as renderers of Markdown make them."""
    headings = re.findall(r"^#+ (.+)$", prose(path), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", each.lower()).replace(" ", "-") for each in headings}


def tables_in(path: Path) -> list[str]:
    """The pieces of a configuration in a text; not the packages' own files, nor kinds that only an example brings."""
    blocks = re.findall(r"^```toml\n(.*?)^```", path.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    not_ours = ("[project]", 'kind = "tide"', 'kind = "bell"', 'kind = "open-files"')
    return [each for each in blocks if not any(word in each for word in not_ours)]


def commands_in(path: Path) -> list[str]:
    """What a text calls watchkeeper with: in blocks of code at the start of a command, and between backticks."""
    found = re.findall(r"^```(\w*)\n(.*?)^```$", path.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    blocks = "\n".join(text for language, text in found if language in ("", "sh"))
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
    at: Any = document
    for key in table.title.strip("[]").split(".") if table.title.startswith("[") else ():
        at = at[key]
    if isinstance(at, list):  # a list of tables without kinds
        return {key: value for each in reversed(at) for key, value in each.items()}
    return dict(at)


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
            shown = describe_types.written(of_table(whole, table)[key])
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
    assert watchkeeper.__version__ == version("watchkeeper") == PROJECT["version"]


@pytest.mark.parametrize("word", [*(each.word for each in Priority), *(each.value for each in State)])
def test_the_glossary_knows_the_words_of_alerts(word: str) -> None:
    """Priorities and states are explained under the names that the code uses."""
    glossary = (reference.MANUAL / "glossary.md").read_text(encoding="utf-8")
    assert re.search(rf"\b{word}\b", glossary)


@pytest.mark.parametrize("path", [*TEXTS, EXAMPLE], ids=named)
def test_links_and_files_that_are_named_are_there(path: Path) -> None:
    """A relative link leads to a file that is there, and to a heading that it has."""
    for link, anchor in re.findall(r"\]\((?!https?:)([^)#\s]*)(?:#([^)]*))?\)", prose(path)):
        there = (path.parent / link).resolve() if link else path
        assert there.exists(), link
        assert not anchor or anchor in anchors(there), f"{link}#{anchor}"


def test_the_readme_lists_every_file_of_the_manual_once() -> None:
    """Whoever looks for an answer finds the file in the README's chapter about the manual."""
    chapter = README.partition("\n## Manual\n")[2].partition("\n## ")[0]
    listed = re.findall(r"\]\(watchkeeper/manual/([\w-]+\.md)\)", chapter)
    assert sorted(listed) == [path.name for path in MANUAL]


@pytest.mark.parametrize(("text", "most"), [(README, 200), (DEVELOPERS, 300)], ids=["README", "DEVELOPERS"])
def test_a_document_stays_short(text: str, most: int) -> None:
    """What a newcomer reads first has an end; details belong into the manual or into a decision record."""
    assert len(text.splitlines()) <= most


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_explained_by_hand_too(name: str) -> None:
    """Besides the generated reference, a chapter of the manual says what the command is good for."""
    generated = {part.file for part in reference.PARTS}
    chapters = [path for path in MANUAL if path.name not in generated]
    assert [path.name for path in chapters if any(line.split()[0] == name for line in commands_in(path))]


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.title)
def test_every_key_is_in_the_manual(table: reference.Table) -> None:
    """Each key of each table has its row, below the heading of its table."""
    text = (reference.MANUAL / "configuration.md").read_text(encoding="utf-8")
    rows = text.partition(f"\n## {table.title}\n")[2].partition("\n## ")[0]
    assert [key for key, *_ in table.rows() if f"\n| `{key}` |" not in rows] == []


@pytest.mark.parametrize("path", TEXTS, ids=named)
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
    told = DEVELOPERS.partition("Imports go downward only:")[2].partition(". ")[0]
    named = [re.findall(r"`(\w+)`", layer) for layer in told.split("→")]
    assert named == [[each.strip().removeprefix("watchkeeper.") for each in layer.split("|")] for layer in layers]


def test_every_sort_of_log_line_is_listed() -> None:
    """People filter the journal by them: the manual's table has each, and no other."""
    text = (reference.MANUAL / "logging.md").read_text(encoding="utf-8")
    table = text.partition("\n| event | when |\n")[2].partition("\n\n")[0]
    listed = [word for row in table.splitlines()[1:] for word in re.findall(r"`([\w-]+)`", row.split("|")[1])]
    assert sorted(listed) == sorted(each.value for each in Event)


@pytest.mark.parametrize("path", TEXTS, ids=named)
def test_figures_of_the_bench_have_their_date(path: Path) -> None:
    """A paragraph that quotes a script of tests/bench with a figure says when that was measured."""
    undated = [
        each
        for each in re.split(r"\n\n+|^\d+\. ", prose(path), flags=re.MULTILINE)
        if re.search(r"tests[./]bench[./]\w+", each)
        and "Budget" not in each
        and re.search(r"\d (ms|s|MB|kB|%|messages)\b|\d\.\d", each)
        and not re.search(r"\b\d{1,2}\s+(November|December)\s+2026\b", each)
    ]
    assert undated == []


MODULES = {"dnspython": "dns"}
"""Packages that are imported by another name."""


def package(requirement: str) -> str:
    """The name in a requirement such as `coverage[toml]>=7.6`, as it is compared."""
    return re.split(r"[\[<>=;~! ]", requirement)[0].lower().replace("_", "-")


def dependencies() -> str:
    """The section about dependencies."""
    return DEVELOPERS.partition("\n## Dependencies\n")[2].partition("\n## ")[0]


def explained() -> dict[str, tuple[str, tuple[str, ...]]]:
    """Each run dependency of the section's table that has its costs: what it is for, and in which files and folders."""
    rows = re.findall(r"^\| ([\w-]+) \| (.+) \| [\d.]+ MiB, \d+ ms; .+ \| (`.+`) \|$", dependencies(), re.MULTILINE)
    return {name.lower(): (said, tuple(re.findall(r"`([\w./]+)`", places))) for name, said, places in rows}


@cache
def imported() -> dict[str, set[str]]:
    """Every package from outside that the program imports, with the modules that do so."""
    found: dict[str, set[str]] = {}
    for path in (ROOT / "watchkeeper").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [each.name for each in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in {each.partition(".")[0] for each in names} - sys.stdlib_module_names - {"watchkeeper"}:
                found.setdefault(name, set()).add(str(path.relative_to(ROOT / "watchkeeper")))
    return found


def test_run_dependencies_are_those_of_the_project() -> None:
    """The section's table has what pyproject.toml asks for, and nothing else."""
    assert set(explained()) == {package(each) for each in PROJECT["dependencies"]}


def test_other_dependencies_are_named() -> None:
    """What an extra brings is named in the section below the table."""
    below = dependencies().rpartition("|\n")[2].lower()
    extras = {package(each) for extra in PROJECT["optional-dependencies"].values() for each in extra}
    assert [each for each in sorted(extras) if each not in below] == []


def test_what_is_imported_is_declared_or_brought_along() -> None:
    """A package that the program imports is a run dependency, brought by one as the table says, or optional."""
    brought = {
        each for said, _ in explained().values() for each in re.findall(r"[a-z][\w-]+", said.partition("(brings ")[2])
    }
    modules = {MODULES.get(name, name.replace("-", "_")) for name in [*explained(), *brought]}
    assert set(imported()) - modules == {"fido2", "paho", "psycopg"}


@pytest.mark.parametrize("name", explained())
def test_a_dependency_is_used_where_the_table_says(name: str) -> None:
    """Every file or folder that the table names imports the package, and no other does."""
    _, places = explained()[name]
    modules = imported()[MODULES.get(name, name.replace("-", "_"))]
    assert [each for each in modules if not each.startswith(places)] == []
    assert [each for each in places if not any(module.startswith(each) for module in modules)] == []


@pytest.mark.parametrize("path", TEXTS, ids=named)
def test_nothing_wrong_is_said_of_a_package_that_is_installed(path: Path) -> None:
    """Where a text says that there is no library for something, none of that name is among the pinned packages."""
    pinned = (ROOT / "deploy/lock/run.txt").read_text(encoding="utf-8")
    for what in re.findall(r"[Nn]o (\w+) library", prose(path)):
        assert not re.search(rf"^\S*{what}\S*==", pinned, re.MULTILINE | re.IGNORECASE), what
