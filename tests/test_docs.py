"""The documentation agrees with the code: the README's reference, the example of a configuration, the version."""

import re
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

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "config.example.toml"
MODEL = reference.MODEL
TABLES = list(reference.tables(MODEL))
README = (ROOT / "README.md").read_text(encoding="utf-8")


def uncommented(text: str) -> str:
    """The example with every key and every table that stands in it as a comment."""
    return re.sub(r"^#(?=[a-z_]+ = |\[)", "", text, flags=re.MULTILINE)


@pytest.fixture
def whole(tmp_path: Path) -> dict[str, Any]:
    """The example with every key set, and with files where it names files."""
    text = uncommented(EXAMPLE.read_text(encoding="utf-8"))
    for path in set(re.findall(r'"(/etc/watchkeeper/[^"]+)"', text)):
        (tmp_path / Path(path).name).write_text("in its place")
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


def test_the_readme_has_the_reference_of_today() -> None:
    """Write it anew with `python -m watchkeeper.cli.reference`."""
    assert reference.written_into(README) == README


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


def test_the_readme_needs_a_place_for_each_part() -> None:
    """A README that has lost its marks is an error, and not a README without a reference."""
    with pytest.raises(ValueError, match="the README has no <!-- reference: commands -->"):
        reference.written_into("# watchkeeper")


def test_the_version_is_said_once() -> None:
    """What the package says of itself is what pyproject.toml says."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert watchkeeper.__version__ == version("watchkeeper") == project["version"]


@pytest.mark.parametrize("word", [*(each.word for each in Priority), *(each.value for each in State)])
def test_the_glossary_knows_the_words_of_alerts(word: str) -> None:
    """Priorities and states are explained to contributors under the names that the code uses."""
    glossary = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert re.search(rf"\b{word}\b", glossary)


@pytest.mark.parametrize("path", [*sorted(ROOT.glob("*.md")), EXAMPLE], ids=lambda path: path.name)
def test_links_and_files_that_are_named_are_there(path: Path) -> None:
    """A relative link leads somewhere."""
    links = re.findall(r"\]\((?!https?:|#)([^)#]+)\)", path.read_text(encoding="utf-8"))
    assert [link for link in links if not (path.parent / link).exists()] == []
