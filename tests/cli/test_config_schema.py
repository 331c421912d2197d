"""`check-config --schema` describes the configuration for editors, as it is."""

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.cli.commands.configuration.test_check_config import DOCUMENT
from tests.cli.conftest import Run
from tests.support.schema import faults
from watchkeeper.cli.config_schema import DIALECT, document
from watchkeeper.cli.docsgen.reference import MODEL, tables

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"

SAID = frozenset({"$schema", "$defs", "title", "description"})
"""Keywords that say what something is and allow or refuse nothing (JSON Schema core 8.2, validation 9)."""

BOUNDS = frozenset(
    {"exclusiveMinimum", "minLength", "maxLength", "minItems", "maxItems", "minProperties", "maxProperties"}
)
"""Keywords that the plain check in tests/support does not know; the test of the defaults looks at each by hand."""


def plain(schema: Any) -> Any:
    """A schema without what the plain check does not know."""
    if isinstance(schema, list):
        return [plain(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    named = {"properties", "$defs"} & set(schema)
    kept = {key: plain(each) for key, each in schema.items() if key not in SAID | BOUNDS | named}
    kept |= {key: {name: plain(each) for name, each in schema[key].items()} for key in named - {"$defs"}}
    return kept | ({"$defs": {name: plain(each) for name, each in schema["$defs"].items()}} if "$defs" in named else {})


WHOLE = document(MODEL)


def wrong(text: str) -> list[str]:
    """What an editor would mark in a document."""
    known = plain(WHOLE)
    return list(faults(tomllib.loads(text), {key: each for key, each in known.items() if key != "$defs"}, known))


def keys(schema: Any, at: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key of every table, with its schema."""
    if isinstance(schema, dict):
        for name, each in schema.get("properties", {}).items():
            yield f"{at}.{name}", each
            yield from keys(each, f"{at}.{name}")


KEYS = dict([*keys(WHOLE), *(key for name, table in WHOLE["$defs"].items() for key in keys(table, name))])


def test_the_command_prints_it_whatever_the_configuration_is(run: Run, config: Path) -> None:
    """An editor can be helped before there is a configuration that can be used."""
    config.write_text("this is not TOML")
    result = run("check-config", "--schema")
    assert (result.exit_code, result.stderr) == (0, "")
    printed = json.loads(result.stdout)
    assert printed["$schema"] == DIALECT
    assert set(printed["properties"]) == set(MODEL.model_fields)


def test_the_example_fits_it() -> None:
    """What the example shows, each line of it switched on, is marked nowhere."""
    assert wrong(EXAMPLE.read_text(encoding="utf-8")) == []


def test_a_document_with_secrets_and_rules_of_its_own_fits_it() -> None:
    """Words of the document where the models hold numbers: durations, sizes, priorities, never."""
    assert wrong(DOCUMENT) == []
    assert wrong('[store]\nmax_size = "1 GiB"\n[rules.not_answering]\ncaution = "never"\nalarm = 3600') == []
    assert wrong('[[probe]]\nkind = "http"\nname = "hide-hub"\nurl = "http://127.0.0.1/"\nstatus = 204') == []


@pytest.mark.parametrize(
    "text",
    [
        'hosts = "gannet"',
        "watch_host = 1",
        "[page]\nport = true",
        '[rules.faulty]\npriority = "critical"',
        '[rules.not_answering]\nwarnings = "5m"',
        '[[probe]]\nname = "hide-hub"',
        '[[probe]]\nkind = "tcp"\nname = "hide-hub"\nport = "80"',
        '[[probe]]\nkind = "spell"',
        '[probe]\nkind = "memory"',
        "[store]\nsamples = true",
    ],
)
def test_what_is_wrong_is_marked(text: str) -> None:
    """A key, a type, a word or a kind that watchkeeper refuses as well."""
    assert wrong(text)


def test_the_limits_of_a_number_are_said() -> None:
    """The port that the page listens on: any that TCP knows (RFC 9293), and 0 for one that is free."""
    port = KEYS["web.settings.PageSettings.port"]
    assert (port["type"], port["minimum"], port["maximum"]) == ("integer", 0, 65535)


def test_every_key_of_the_reference_is_described() -> None:
    """No key without a description of what it is for or what it takes."""
    for table in tables(MODEL):
        fields = table.keys()
        for key in fields:
            places = [place for place in KEYS if place.endswith(f".{key}")]
            # The list of tables [[notifier]] is no key of [[stand_in]], though that has one of this name.
            found = [KEYS[place] for place in places if len(places) == 1 or place != f".{key}"]
            assert found, f"{table.title}.{key}"
            assert all(schema.get("description") or "$ref" in schema for schema in found), f"{table.title}.{key}"


def test_every_default_fits_its_own_key() -> None:
    """A default that an editor fills in must not be marked by it."""
    with_default = {place: schema for place, schema in KEYS.items() if "default" in schema}
    assert len(with_default) > 100
    for place, schema in with_default.items():
        value = schema["default"]
        assert list(faults(value, plain(schema), plain(WHOLE))) == [], place
        if isinstance(value, str | list | dict):
            least = max(schema.get(bound, 0) for bound in ("minLength", "minItems", "minProperties"))
            most = min(schema.get(bound, 10**6) for bound in ("maxLength", "maxItems", "maxProperties"))
            assert least <= len(value) <= most, place
        if isinstance(value, int | float):
            assert schema.get("minimum", value) <= value <= schema.get("maximum", value), place
            assert value > schema.get("exclusiveMinimum", value - 1), place


def test_every_reference_leads_somewhere() -> None:
    """No table is named that is not described, and none is described that is not named."""
    text = json.dumps(WHOLE)
    named = {part.partition('"')[0] for part in text.split('"#/$defs/')[1:]}
    assert named == set(WHOLE["$defs"])
