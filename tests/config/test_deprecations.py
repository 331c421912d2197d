"""Keys of earlier versions are refused with the exact edit, by an invented table: no key has been moved yet."""

from pathlib import Path

import pytest

from watchkeeper import settings
from watchkeeper.config import deprecations
from watchkeeper.config.deprecations import Moves, RemovedKey, RenamedKey, edit, line_of
from watchkeeper.config.errors.locations import Place
from watchkeeper.errors import ConfigError

INVENTED: Moves = {
    ("page", "lamp"): RenamedKey(("page", "listen"), "0.2.0"),
    ("lantern",): RenamedKey(("host", "name"), "0.3.0"),
    ("page", "oil"): RenamedKey(("wick",), "0.3.0"),
    ("page", "token"): RenamedKey(("host", "token"), "0.3.0"),
    ("probe", "*", "often"): RenamedKey(("probe", "*", "every"), "0.2.0"),
    ("probe", "http", "adress"): RenamedKey(("probe", "http", "url"), "0.4.0"),
    ("probe", "tcp", "knock"): RemovedKey("it is done by itself", "0.2.0"),
    ("buoy",): RemovedKey("buoys are no longer lit", "0.5.0"),
}

TEXT = """# Of the first version
lantern = "gannet"

[page]   # where it is read
lamp = "127.0.0.1"
token = "ringing"
oil = 3

[[probe]]
kind = "http"
name = "hide-hub"
"adress" = "http://127.0.0.1:8123/"

[probe.rules]
silent.warning = "3m"

[[probe]]
kind = "tcp"
host = "127.0.0.1"
port = 22
knock = true
often = "2m"

[buoy]
"""

DOCUMENT = {
    "lantern": "gannet",
    "page": {"lamp": "127.0.0.1", "token": "ringing", "oil": 3},
    "probe": [{"kind": "http", "adress": "http://127.0.0.1:8123/"}, {"kind": "tcp", "knock": True, "often": "2m"}],
    "buoy": {},
}


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        (("page", "lamp"), "was renamed in 0.2.0; in line 5 write listen instead of lamp"),
        (("lantern",), 'was moved in 0.3.0; take it out of line 2 and write name = "gannet" under [host]'),
        (("page", "oil"), "was moved in 0.3.0; take it out of line 7 and write wick = 3 before the first table"),
        (("page", "token"), "was moved in 0.3.0; take it out of line 6 and write token with its value under [host]"),
        (("probe", 1, "often"), "was renamed in 0.2.0; in line 22 write every instead of often"),
        (("probe", 0, "adress"), "was renamed in 0.4.0; in line 12 write url instead of adress"),
        (("probe", 1, "knock"), "was removed in 0.2.0: it is done by itself; take out line 21"),
        (("buoy",), "was removed in 0.5.0: buoys are no longer lit; take out line 24"),
        (("probe", 0, "knock"), ""),
        (("probe", 7, "knock"), ""),
        (("page", "prot"), ""),
    ],
)
def test_the_edit_names_the_line_and_what_to_write(keys: Place, told: str) -> None:
    """A renamed key stays where it is, a moved one takes its value along but no secret, a removed one goes."""
    assert edit(keys, DOCUMENT, TEXT, INVENTED) == told


def test_a_key_whose_line_is_not_known_is_told_all_the_same() -> None:
    """What stands in an inline table, or came from the environment, has no line of its own."""
    assert "in its place write listen" in edit(("page", "lamp"), {"page": {}}, "page = { lamp = 1 }", INVENTED)


def test_a_line_is_found_below_tables_of_a_list() -> None:
    """Sub-tables and dotted keys belong to the newest table of their list."""
    assert line_of(("probe", 0, "rules", "silent", "warning"), TEXT) == 15
    assert line_of(("probe", 1, "rules"), TEXT) is None


def test_the_loader_asks_the_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The real loader tells the edit at the key's place, and a key that was never known as before."""
    monkeypatch.setattr(deprecations, "MOVES", INVENTED)
    config = tmp_path / "config.toml"
    config.write_text('watch_host = false\n[page]\nlamp = "127.0.0.1"\nprot = 1\n')
    with pytest.raises(ConfigError) as refused:
        settings.read(config)
    assert [str(each) for each in refused.value.problems] == [
        "page.lamp: was renamed in 0.2.0; in line 3 write listen instead of lamp",
        "page.prot: is not a known key; did you mean port?",
    ]


def test_every_move_leads_to_a_key_that_is_there() -> None:
    """A row of the real table never sends the keeper to a key that is not known either."""
    known = settings.known_model().model_fields
    for move in deprecations.MOVES.values():
        assert isinstance(move, RemovedKey) or move.to[0] in known
