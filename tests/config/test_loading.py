"""Where a configuration is read from, and what is reported of a file that cannot be read."""

import os
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.document import MODEL, loaded, problems
from watchkeeper.config import loading, paths
from watchkeeper.config.secrets import Secrets
from watchkeeper.errors import ConfigError, Problem


def refusal(path: Path) -> str:
    """The whole text of the error about a file."""
    with pytest.raises(ConfigError) as caught:
        loading.load(MODEL, path, secrets=Secrets.NEEDED)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ("host = \n", "line 1, column 8: this is not TOML: invalid value"),
        ("[host]\nname gannet", "line 2, column 6: this is not TOML: expected '=' after a key in a key/value pair"),
        ("a = 'x\ny'", "line 1, column 7: this is not TOML: found invalid character '\\n'"),
        ("[page]\n[page]\n", "line 2, column 6: this is not TOML: cannot declare [page] twice"),
        ("[a.b]\nc.d = 1\nc = 2\n", "line 3, column 6: this is not TOML: cannot overwrite a value"),
        ("[a]\nb = 1\n[a.b]\n", "line 3, column 5: this is not TOML: cannot overwrite a value"),
        ("[a.b]\n[a.b]\n", "line 2, column 5: this is not TOML: cannot declare [a.b] twice"),
        ("a = [1", "end of document: this is not TOML: unclosed array"),
        ("a = " + "9" * 5000, "this is not TOML: a number has too many digits"),
        ("a = " + "[" * 100_000, "it is nested too deeply to be read"),
    ],
)
def test_invalid_toml_is_reported_with_line_and_column(tmp_path: Path, text: str, reported: str) -> None:
    """The place of a TOML error is a line and a column."""
    assert problems(tmp_path, text) == [reported]


def test_a_file_that_is_named_and_not_there_is_an_error(tmp_path: Path) -> None:
    """A typing error in --config must not silently mean the defaults."""
    path = tmp_path / "none.toml"
    assert (
        refusal(path)
        == f"{path} cannot be used:\n  it cannot be read: No such file or directory; name an existing file"
    )


def test_a_folder_and_a_path_with_a_nul_are_refused(tmp_path: Path) -> None:
    """What cannot be opened is reported, whatever it is."""
    assert "it cannot be read: Is a directory" in refusal(tmp_path)
    assert "the path holds a NUL character" in refusal(Path("a\0b"))


def test_a_file_without_an_end_is_not_read_to_its_end() -> None:
    """A wrong path such as /dev/zero is refused at once."""
    assert "it is not a regular file" in refusal(Path("/dev/zero"))


def test_a_pipe_that_nobody_writes_into_is_refused(tmp_path: Path) -> None:
    """It is not waited for."""
    path = tmp_path / "pipe.toml"
    os.mkfifo(path)
    assert "it is not a regular file; name a configuration file" in refusal(path)


@pytest.mark.parametrize(
    "text",
    ["a" + ".a" * 50_000 + " = 1", "[" + "'a' . " * 50_000 + "b]", 'x = {"a"' + '."a"' * 50_000 + " = 1}"],
    ids=["bare", "table", "inline"],
)
def test_a_key_with_50_000_dots_is_refused(tmp_path: Path, text: str) -> None:
    """The parser would take minutes for it."""
    path = tmp_path / "dots.toml"
    path.write_text(text)
    assert "a key has more than 100 parts; remove the dots" in refusal(path)


def test_dots_elsewhere_are_no_keys(tmp_path: Path) -> None:
    """Long lines of dots, words and quotes in a comment are read in time, and numbers in an array are no key."""
    path = tmp_path / "dots.toml"
    path.write_text("# " + "." * 100_000 + " " + "a" * 500_000 + "\n# " + '"' * 100_000 + "\n[host]\nname = 'gannet'\n")
    assert loading.read(path) == {"host": {"name": "gannet"}}


def test_a_file_that_is_not_utf_8_is_reported_with_its_line(tmp_path: Path) -> None:
    """The line of the first byte that is wrong is named."""
    path = tmp_path / "latin.toml"
    path.write_bytes(b"[host]\nname = 'caf\xe9'\n")
    assert refusal(path).endswith("line 2: it is not UTF-8 text; save it as UTF-8")


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    """A file that came from another system is read all the same."""
    path = tmp_path / "other.toml"
    path.write_bytes(b"\xef\xbb\xbf[host]\r\nname = 'gannet'\r\n")
    assert loading.load(MODEL, path, secrets=Secrets.NEEDED).settings.host.name == "gannet"


def test_without_a_file_all_is_default(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing at the default places means the defaults, and no path."""
    monkeypatch.setattr(paths, "SYSTEM_CONFIG", tmp_path / "etc.toml")
    found = loading.load(MODEL, None, secrets=Secrets.NEEDED)
    assert found.path is None
    assert found.settings.watch_host


def test_the_first_default_place_that_has_a_file_is_read(
    tmp_path: Path, quiet_environment: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """$XDG_CONFIG_HOME takes precedence over ~/.config, and that over the system's."""
    system, own, shared = tmp_path / "etc.toml", quiet_environment / ".config", tmp_path / "xdg"
    monkeypatch.setattr(paths, "SYSTEM_CONFIG", system)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(shared))
    wanted = [system, own / "watchkeeper" / "config.toml", shared / "watchkeeper" / "config.toml"]
    for number, path in enumerate(wanted):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"[page]\nport = {number}")
        found = loading.load(MODEL, None, secrets=Secrets.NEEDED)
        assert (found.path, found.settings.page.port) == (path, number)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may enter every folder")
def test_a_default_place_that_may_not_be_entered_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A closed folder on the way to a default place is as good as no file there."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=0)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(closed))
    monkeypatch.setattr(paths, "SYSTEM_CONFIG", tmp_path / "none.toml")
    assert loading.load(MODEL, None, secrets=Secrets.NEEDED).path is None


def test_a_default_place_that_cannot_be_asked_about_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that is too long for the file system raises, and that is as good as no file there."""
    monkeypatch.setattr(loading, "config_places", lambda: (Path("/" + "x" * 5000),))
    assert loading.load(MODEL, None, secrets=Secrets.NEEDED).path is None


def test_the_environment_goes_before_the_document(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One key is set from outside; the others of its table stay."""
    monkeypatch.setenv("WATCHKEEPER_PAGE__PORT", "8990")
    monkeypatch.setenv("WATCHKEEPER_WATCH_HOST", "false")
    monkeypatch.setenv("WATCHKEEPER_RULES__FULL__ALARM", "2d")
    monkeypatch.setenv("WATCHKEEPER_HOST__NAME", "")
    monkeypatch.setenv("WATCHKEEPER_CONFIG", "/somewhere/else.toml")
    found = loaded(tmp_path, '[page]\nport = 1\nprefix = "/watch"\n[host]\nname = "gannet"').settings
    assert (found.page.port, found.page.prefix, found.watch_host) == (8990, "/watch", False)
    assert (found.rules.full.alarm, found.rules.full.warning) == (172_800, 604_800)
    assert found.host.name == "gannet"


@pytest.mark.parametrize(
    ("name", "value", "reported"),
    [
        ("WATCHKEEPER_PGAE__PORT", "1", "pgae: is not a known key; did you mean page?"),
        (
            "WATCHKEEPER_PAGE__PRT",
            "1",
            "page.prt (from $WATCHKEEPER_PAGE__PRT): is not a known key; did you mean port?",
        ),
        (
            "WATCHKEEPER_PAGE__PORT",
            "many",
            'page.port (from $WATCHKEEPER_PAGE__PORT): "many" is text; write a whole number, at least 0, at most 65535',
        ),
        (
            "WATCHKEEPER_PROBE",
            "[]",
            'probe (from $WATCHKEEPER_PROBE): "[]" is text; write a list, each a table that begins with [[probe]]',
        ),
    ],
)
def test_a_wrong_variable_is_an_error_that_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, value: str, reported: str
) -> None:
    """A misspelt variable would otherwise be lost silently."""
    monkeypatch.setenv(name, value)
    assert problems(tmp_path, "") == [reported]


def test_of_two_variables_where_one_holds_the_other_the_longer_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """WATCHKEEPER_PAGE cannot be a value beside WATCHKEEPER_PAGE__PORT."""
    monkeypatch.setenv("WATCHKEEPER_PAGE", "x")
    monkeypatch.setenv("WATCHKEEPER_PAGE__PORT", "8990")
    assert loaded(tmp_path, "").settings.page.port == 8990


KEYS = st.sampled_from(
    [
        "probe",
        "notifier",
        "page",
        "rules",
        "full",
        "kind",
        "name",
        "every",
        "url",
        "headers",
        "token",
        "file",
        "host",
        "credential",
        "port",
        "listen",
        "store",
        "path",
        "lamp",
        "caution",
        "alarm",
        "rope",
        "watch_host",
        "time_zone",
    ]
)
SCALARS = st.one_of(
    st.text(max_size=8),
    st.sampled_from(
        ["hide", "nest", "bell", "flag", "15m", "never", "/x", "~", "~nobody/x", "alarm", "UTC", "http://x"]
    ),
    st.integers(),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.times(),
)
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS | st.text(max_size=4), inner, max_size=4)
)


def reported(work: Callable[[], object]) -> Sequence[Problem]:
    """The problems that some work ends with; none where it ends well. Any other error is let out."""
    try:
        work()
    except ConfigError as error:
        return error.problems or [Problem("", "an error without a problem")]
    return ()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow], max_examples=300)
@given(document=st.dictionaries(KEYS | st.text(max_size=6), VALUES, max_size=5))
def test_any_document_is_used_or_refused_with_places(document: dict[str, object]) -> None:
    """Whatever the document holds, what comes out is settings or a ConfigError with problems; never anything else."""
    for each in reported(lambda: loading.check_document(MODEL, document, Secrets.LOOKED_AT)):
        assert each.what
        assert "\n" not in str(each)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.text(max_size=60))
def test_any_text_is_read_or_refused(tmp_path: Path, text: str) -> None:
    """The same for what is in the file."""
    path = tmp_path / "any.toml"
    path.write_bytes(text.encode("utf-8", "replace"))
    if not reported(lambda: loading.read(path)):
        assert loading.read(path) == tomllib.loads(path.read_bytes().decode("utf-8-sig"))


def test_settings_cannot_be_changed(tmp_path: Path) -> None:
    """What has been checked stays as it was checked."""
    found = loaded(tmp_path, "").settings
    with pytest.raises(ValueError, match="frozen"):
        setattr(found, "watch_host", False)  # noqa: B010  mypy knows that it cannot be set


def test_a_path_may_begin_at_home(tmp_path: Path, quiet_environment: Path) -> None:
    """~ is the home of who runs it."""
    assert loaded(tmp_path, '[store]\npath = "~/x.db"').settings.store.path == quiet_environment / "x.db"


def test_the_home_of_somebody_unknown_is_an_error(tmp_path: Path) -> None:
    """~nobody-here names no folder."""
    assert problems(tmp_path, '[store]\npath = "~nobody-here/x.db"') == [
        'store.path: "~nobody-here/x.db" begins with ~, but there is no such home folder; begin it with "/"'
    ]
