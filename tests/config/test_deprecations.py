"""Keys of earlier versions are refused with the exact edit; the edits lead to a document that loads.

VERSION_0_1_0 holds every key of the first version.
"""

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from watchkeeper import settings
from watchkeeper.config import deprecations
from watchkeeper.config.deprecations import ANY, MOVES, Moves, Names, Removed, Renamed, lines_of, successor, translate
from watchkeeper.config.errors import describe_types
from watchkeeper.config.errors.locations import Place
from watchkeeper.config.secrets import Secrets
from watchkeeper.errors import ConfigError, Problem

VERSION_0_1_0 = (
    Path(__file__)
    .with_name("version_0_1_0.toml")
    .read_text(encoding="utf-8")
    .replace("/etc/watchkeeper/own-authority.pem", __file__)  # a file that is there
)
FIRST: dict[str, Any] = tomllib.loads(VERSION_0_1_0)

INVENTED: Moves = {
    ("page", "lamp"): Renamed("listen", "0.2.0"),
    ("lantern",): Renamed("host", "0.3.0"),
    ("host", "title"): Renamed("name", "0.4.0"),
    ("probe", ANY, "often"): Renamed("every", "0.2.0"),
    ("probe", "http", "adress"): Renamed("url", "0.4.0"),
    ("probe", "knock"): Renamed("tcp", "0.3.0"),
    ("probe", "tcp", "gate"): Renamed("port", "0.3.0"),
    ("probe", "tcp", "twice"): Removed("one try is enough", "0.2.0"),
    ("buoy",): Removed("buoys are no longer lit", "0.5.0"),
}

TEXT = """# Of the first version
lantern.title = "gannet" # lantern.title = "fulmar"
lantern . time_zone = "Etc/UTC"

[page]   # where it is read
lamp = "127.0.0.1"

[[probe]]
kind = "http"
name = '''
[page]
lamp = "not a key"
'''
"adress" = "http://127.0.0.1:8123/"

[probe.rules]
silent.warning = "3m"

[[probe]]
kind = "knock"
rules = { silent = { warning = "3m" } }
gate = 22
twice = true
often = "2m"
every = "3m"

[[probe]]
name = "it has no kind"
often = "2m"

[buoy]
colour = "red"
"""

EDITS = {
    ("lantern",): "was renamed in 0.3.0; in lines 2 and 3 write host instead of lantern",
    ("lantern", "title"): "was renamed in 0.4.0; in line 2 write name instead of title",
    ("page", "lamp"): "was renamed in 0.2.0; in line 6 write listen instead of lamp",
    ("probe", 0, "adress"): "was renamed in 0.4.0; in line 14 write url instead of adress",
    ("probe", 1, "kind"): 'was renamed in 0.3.0; in line 20 write "tcp" instead of "knock"',
    ("probe", 1, "gate"): "was renamed in 0.3.0; in line 22 write port instead of gate",
    ("probe", 1, "twice"): "was removed in 0.2.0: one try is enough; take out line 23",
    ("probe", 1, "often"): "was renamed to every in 0.2.0, which is set too; take out line 24",
    ("probe", 2, "often"): "was renamed in 0.2.0; in line 29 write every instead of often",
    ("buoy",): "was removed in 0.5.0: buoys are no longer lit; take out line 31",
}

TODAY = {
    "host": {"name": "gannet", "time_zone": "Etc/UTC"},
    "page": {"listen": "127.0.0.1"},
    "probe": [
        {
            "kind": "http",
            "name": '[page]\nlamp = "not a key"\n',
            "url": "http://127.0.0.1:8123/",
            "rules": {"silent": {"warning": "3m"}},
        },
        {"kind": "tcp", "rules": {"silent": {"warning": "3m"}}, "port": 22, "every": "3m"},
        {"name": "it has no kind", "every": "2m"},
    ],
}


def refused(text: str, folder: Path) -> tuple[Problem, ...]:
    """Every problem of a document; none if it loads."""
    config = folder / "config.toml"
    config.write_text(text, encoding="utf-8")
    try:
        settings.read(config, secrets=Secrets.LEFT_ALONE)
    except ConfigError as error:
        return tuple(error.problems)
    return ()


def edited(text: str, problems: tuple[Problem, ...]) -> str:
    """A text after the edits that its problems ask for, and no other."""
    lines = text.splitlines()
    for problem in problems:
        said = re.fullmatch(r"was renamed in [\d.]+; in lines? ([\d, and]+) write (\S+) instead of (\S+)", problem.what)
        assert said, str(problem)
        for number in re.findall(r"\d+", said[1]):
            at = int(number) - 1
            lines[at], done = re.subn(rf"(?<!\w){re.escape(said[3])}(?!\w)", said[2], lines[at], count=1)
            assert done, str(problem)
    return "\n".join(lines) + "\n"


def old_names(table: Names) -> Names:
    """The names that the tables around a key had in the first version."""
    if not table:
        return ()
    before = next((row[-1] for row, move in MOVES.items() if renames(row, move, table)), table[-1])
    return (*old_names(table[:-1]), before)


def renames(row: Names, move: Renamed | Removed, table: Names) -> bool:
    """Whether a row gave a table its name of today."""
    return isinstance(move, Renamed) and (*row[:-1], move.to) == table


def inside(document: Mapping[str, Any], keys: Names) -> Any:
    """The value at a place."""
    for key in keys:
        document = document[key]
    return document


def header(keys: Names, value: Any) -> str:
    """A key with its table's header; a table is written below a header of its own."""
    if isinstance(value, dict):
        return f"[{'.'.join(keys)}]\n" + "".join(f"{key} = {describe_types.written(v)}\n" for key, v in value.items())
    return (f"[{'.'.join(keys[:-1])}]\n" if keys[1:] else "") + f"{keys[-1]} = {describe_types.written(value)}\n"


def dotted(keys: Names, value: Any) -> str:
    """A key on one line, its tables before it; the keys of a table one by one."""
    if isinstance(value, dict):
        return "".join(dotted((*keys, key), each) for key, each in value.items())
    return f"{'.'.join(keys)} = {describe_types.written(value)}\n"


def inline(keys: Names, value: Any) -> str:
    """A key in inline tables, all on one line."""
    for key in reversed(keys[1:]):
        value = {key: value}
    return f"{keys[0]} = {describe_types.written(value)}\n"


WAYS = {"header": header, "dotted": dotted, "inline": inline}


def document_with(row: Names, way: str) -> str:
    """A document of the first version with the key, table or kind of a row."""
    if row[0] not in ("probe", "notifier"):
        keys = (*old_names(row[:-1]), row[-1])
        return WAYS[way](keys, inside(FIRST, keys))
    kind = "memory" if row[1] == ANY else row[1] if len(row) == 2 else old_names(row[:2])[-1]
    table = next(each for each in FIRST[row[0]] if each["kind"] == kind and (len(row) < 3 or has(each, row[2])))
    old = row[0], *old_names(row[:-1])[2:], row[-1]
    text = f"[[{row[0]}]]\n" + "".join(inline((key,), each) for key, each in table.items() if key != "rules")
    if len(row) > 2 and row[2] == "rules":
        at = old[1:] if way != "header" else old
        text += WAYS[way](at, inside(FIRST, old[1:]))
    return text


def has(table: Mapping[str, Any], key: str) -> bool:
    """Whether a table can show a row's key; rules can be added to any."""
    return key in table or key == "rules"


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("row", MOVES, ids=".".join)
def test_the_edit_of_each_row_leads_to_a_document_that_loads(row: Names, way: str, tmp_path: Path) -> None:
    """The old key is refused at its place with an edit, and after exactly the stated edits the document loads."""
    text = document_with(row, way)
    problems = refused(text, tmp_path)
    old = "kind" if row[:-1] in (("probe",), ("notifier",)) else row[-1]
    assert [each for each in problems if re.search(rf"(^|\.){old}$", each.place)], text
    assert refused(edited(text, problems), tmp_path) == ()


def test_every_old_key_of_a_document_is_reported_at_once(tmp_path: Path) -> None:
    """One run names every line to edit, also in renamed tables; after these edits everything is in order."""
    problems = refused(VERSION_0_1_0, tmp_path)
    assert refused(edited(VERSION_0_1_0, problems), tmp_path) == ()
    places = {re.sub(r"\[\d+\]", "", each.place) for each in problems}
    rows = {".".join((*old_names(row[:-1]), row[-1])) for row in MOVES if row[0] not in ("probe", "notifier")}
    assert rows <= places
    used = {each.place for each in problems}
    assert used >= {f"probe[{n}].rests_on" for n, each in enumerate(FIRST["probe"], 1) if "rests_on" in each}
    assert used >= {f"probe[{n}].leave_out" for n, each in enumerate(FIRST["probe"], 1) if "leave_out" in each}


@pytest.mark.parametrize("row", [each for each in MOVES if each[0] not in ("probe", "notifier")], ids=".".join)
def test_a_variable_of_an_old_name_is_refused_with_the_new_one(
    row: Names, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Variables are named after keys, so that they have the same rows."""
    keys = (*old_names(row[:-1]), row[-1])
    value = inside(FIRST, keys)
    keys = (*keys, *list(value)[:1]) if isinstance(value, dict) else keys
    name = "WATCHKEEPER_" + "__".join(keys).upper()
    monkeypatch.setenv(name, str(inside(FIRST, keys)))
    (problem,) = refused("", tmp_path)
    said = re.fullmatch(r"was renamed in 0\.2\.0; set (WATCHKEEPER_\w+) instead of (\w+)", problem.what)
    assert said
    assert (said[2], problem.place, problem.of) == (name, ".".join(keys), f"from ${name}")
    monkeypatch.setenv(said[1], str(inside(FIRST, keys)))
    monkeypatch.delenv(name)
    assert refused("", tmp_path) == ()


def test_the_edits_of_an_invented_table() -> None:
    """Every kind of move. Comments and the lines of a text are not taken for keys."""
    today = translate(tomllib.loads(TEXT), TEXT, INVENTED)
    assert dict(today.found) == EDITS
    assert today.document == TODAY


@pytest.mark.parametrize(
    ("now", "before"),
    [
        (("host", "name"), ("lantern", "title")),
        (("host", "time_zone"), ("lantern", "time_zone")),
        (("host",), ("lantern",)),
        (("page", "listen"), ("page", "lamp")),
        (("probe", 1, "port"), ("probe", 1, "gate")),
        (("probe", 1, "every"), ("probe", 1, "every")),
        (("probe", 2, "name"), ("probe", 2, "name")),
        ((), ()),
    ],
)
def test_a_place_is_named_as_the_document_names_it(now: Place, before: Place) -> None:
    """Other problems of a document are reported under its own names."""
    assert translate(tomllib.loads(TEXT), TEXT, INVENTED).place(now) == before


def test_a_table_of_both_names_is_merged() -> None:
    """Its keys would otherwise belong to the table above it."""
    text = '[host]\nname = "gannet"\n[lantern]\ntime_zone = "Etc/UTC"\n'
    assert translate(tomllib.loads(text), text, INVENTED).found == [
        (("lantern",), "was renamed to host in 0.3.0, which is set too; move its keys there, and take out line 3")
    ]


def test_a_key_whose_line_is_not_known_is_reported_all_the_same() -> None:
    """A document that came from no text has no lines."""
    ((_, said),) = translate({"page": {"lamp": 1}}, "", INVENTED).found
    assert said == "was renamed in 0.2.0; in its place write listen instead of lamp"


def test_values_that_are_no_tables_are_left_for_others_to_refuse() -> None:
    """What cannot be a probe, or has no kind that could be one, passes through unchanged."""
    odd: dict[str, Any] = {"page": 1, "probe": [3, {"kind": 4, "often": "1m"}], "host": ["a"]}
    today = translate(odd, "", INVENTED)
    assert today.document == {"page": 1, "probe": [3, {"kind": 4, "every": "1m"}], "host": ["a"]}
    assert translate({"probe": "none"}, "", INVENTED).document == {"probe": "none"}


def test_a_line_is_found_below_tables_of_a_list() -> None:
    """Sub-tables and dotted keys belong to the newest table of their list; a key in an inline table to its line."""
    assert lines_of(("probe", 0, "rules", "silent", "warning"), TEXT) == [17]
    assert lines_of(("probe", 0, "rules"), TEXT) == [16]
    assert lines_of(("probe", 1, "rules", "silent", "warning"), TEXT) == [21]
    assert lines_of(("lighthouse",), TEXT) == []


def test_other_problems_are_reported_with_the_old_keys(tmp_path: Path) -> None:
    """Values are checked under the new names, and named as in the document."""
    problems = refused('watch_host = false\n[store]\nmost = "1 MiB"\nhoures = "90d"\n[alive]\nevery = "3x"\n', tmp_path)
    assert [str(each) for each in problems] == [
        "store.most: was renamed in 0.2.0; in line 3 write max_size instead of most",
        'store.most: 1048576 is out of range; write a size such as "32 GiB", at least "16 MiB"',
        "store.houres: is not a known key; did you mean hours?",
        "alive: was renamed in 0.2.0; in line 5 write heartbeat instead of alive",
        'alive.every: "3x" is not a duration; write a number and a unit (s, m, h, d, w), such as 15m or 1h30m',
    ]


def test_a_removed_key_and_its_variable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What has no successor says so, wherever it is set."""
    monkeypatch.setattr(deprecations, "MOVES", INVENTED)
    monkeypatch.setenv("WATCHKEEPER_BUOY__COLOUR", "red")
    assert [str(each) for each in refused("[buoy]\n", tmp_path)] == [
        "buoy: was removed in 0.5.0: buoys are no longer lit; take out line 1",
        "buoy.colour (from $WATCHKEEPER_BUOY__COLOUR): was removed in 0.5.0; unset WATCHKEEPER_BUOY__COLOUR",
    ]


def test_a_place_that_no_row_names_has_no_other_name() -> None:
    """Neither a key of today nor an unknown one is moved."""
    assert successor(("page", "listen"), INVENTED) == (("page", "listen"), "")
    assert successor(("page", "lampe"), INVENTED) == (("page", "lampe"), "")
    assert successor(("lantern", "title"), INVENTED) == (("host", "name"), "0.4.0")


def test_no_row_names_a_key_that_is_in_use() -> None:
    """A row for a key of today would refuse what the manual describes."""
    for row, move in MOVES.items():
        assert row[-1] != getattr(move, "to", "")
        if row[0] != "probe":
            continue
        assert len(row) > 2 or row[1] not in settings.known_model().probe_types
        for kind, model in settings.known_model().probe_types.items():
            if row[1] in (kind, ANY) and len(row) == 3:
                assert row[2] not in describe_types.fields_of(model), ".".join(row)


def where(row: Names) -> str:
    """The table of a row, as the manual names it."""
    if row[0] not in ("probe", "notifier"):
        return f"`[{'.'.join(row[:-1])}]`" if row[1:] else "a table"
    if len(row) == 2:
        return f"`[[{row[0]}]]`"
    return f"every `[[{row[0]}]]`" if row[1] == ANY else f"`{row[1]}`"


def manual_table() -> list[str]:
    """The rows of the manual's table of old names. A rule of one probe is in the row of the general rule."""
    found: dict[tuple[str, str], list[str]] = {}
    for row, move in MOVES.items():
        if len(row) > 3 and row[2] == "rules":
            continue
        new = move.to if isinstance(move, Renamed) else "(removed)"
        table = isinstance(inside_or_none(row), dict)
        old, new = (f"[{'.'.join((*row[:-1], each))}]" if table else each for each in (row[-1], new))
        if row[:-1] in (("probe",), ("notifier",)):
            old, new = f'kind = "{old}"', f'kind = "{new}"'
        found.setdefault((old, new), []).append(where(row))
    return [
        f"| {', '.join(places) if len(places) <= 3 else 'several kinds'} | `{old}` | `{new}` |"
        for (old, new), places in found.items()
    ]


def inside_or_none(row: Names) -> Any:
    """What the first version has at a row's place outside the lists of tables."""
    return None if row[0] in ("probe", "notifier") else inside(FIRST, (*old_names(row[:-1]), row[-1]))


def test_the_manual_lists_every_old_name() -> None:
    """The table in changes.md is the one that the code refuses by."""
    text = (Path(settings.__file__).parent / "manual" / "changes.md").read_text(encoding="utf-8")
    rows = [line.strip() for line in text.splitlines() if re.match(r"\s*\| .* \| `.*` \| `.*` \|$", line)]
    expected = manual_table()
    assert [each for each in rows if each in expected] == expected, "\n".join(expected)
