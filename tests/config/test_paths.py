"""Where the database and the configuration are, from the environment (XDG Base Directory 0.8, systemd.exec(5))."""

import pwd
from pathlib import Path

import pytest

from tests.support.document import problems
from watchkeeper.config import paths


@pytest.mark.parametrize(
    ("environ", "place"),
    [
        ({"STATE_DIRECTORY": "/var/lib/watchkeeper", "HOME": "/"}, "/var/lib/watchkeeper/watchkeeper.db"),
        ({"STATE_DIRECTORY": "/var/lib/a:/var/lib/b"}, "/var/lib/a/watchkeeper.db"),
        ({"XDG_STATE_HOME": "/s", "HOME": "/h"}, "/s/watchkeeper/watchkeeper.db"),
        ({"XDG_STATE_HOME": "relative", "HOME": "/h"}, "/h/.local/state/watchkeeper/watchkeeper.db"),
        ({"HOME": "/h"}, "/h/.local/state/watchkeeper/watchkeeper.db"),
    ],
)
def test_the_database_is_under_the_platforms_state_directory(environ: dict[str, str], place: str) -> None:
    """Systemd's directory comes first, then the user's own. A relative path is ignored, as XDG requires."""
    assert paths.state_path(environ) == Path(place)


@pytest.mark.parametrize("environ", [{}, {"HOME": ""}, {"HOME": "relative"}])
def test_without_a_home_the_password_database_is_asked(
    environ: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An empty HOME does not put the database at the root."""

    def known(_user: int) -> pwd.struct_passwd:
        return pwd.struct_passwd(("gannet", "x", 1, 1, "", "/home/gannet", "/bin/sh"))

    monkeypatch.setattr(pwd, "getpwuid", known)
    assert paths.state_path(environ) == Path("/home/gannet/.local/state/watchkeeper/watchkeeper.db")


def test_without_a_home_folder_the_error_says_what_to_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A user without a name and without a home gets an error at store.path and no guess."""

    def unknown(_user: int) -> pwd.struct_passwd:
        raise KeyError

    monkeypatch.setattr(pwd, "getpwuid", unknown)
    monkeypatch.delenv("HOME")
    assert problems(tmp_path, "") == [
        (
            "store.path: no folder for the database: neither $STATE_DIRECTORY nor $XDG_STATE_HOME nor $HOME names one; "
            'write path = "/srv/data/watchkeeper.db" under [store]'
        )
    ]
    assert problems(tmp_path, '[store]\npath = "/x.db"') == []
    assert paths.config_places({}) == (Path("/etc/watchkeeper/config.toml"),)


def test_the_configuration_is_looked_for_in_three_places() -> None:
    """The user's own comes before the system's. No place is named twice."""
    found = paths.config_places({"XDG_CONFIG_HOME": "/c", "HOME": "/h"})
    wanted = ["/c/watchkeeper/config.toml", "/h/.config/watchkeeper/config.toml", "/etc/watchkeeper/config.toml"]
    assert [str(each) for each in found] == wanted
    assert len(paths.config_places({"XDG_CONFIG_HOME": "/h/.config", "HOME": "/h"})) == 2


def test_how_long_things_are_kept_by_default() -> None:
    """Two weeks of samples, a year and more of hours, ten years of days; the bound is 2 GiB."""
    kept = paths.StoreSettings(path=Path("/var/lib/watchkeeper/watchkeeper.db"))
    days = [
        each / 86_400 for each in (kept.samples, kept.hours, kept.days, kept.events, kept.delivered, kept.forget_after)
    ]
    assert days == [14, 400, 3650, 1825, 90, 90]
    assert kept.max_size == 2 * 2**30


@pytest.mark.parametrize(
    ("table", "place", "words"),
    [
        ('samples = "23h"', "store.samples", "1d"),
        ('hours = "59d"', "store.hours", "60d"),
        ('forecasts = "29d"', "store.forecasts", "30d"),
        ('max_size = "1 MiB"', "store.max_size", "16 MiB"),
        ('samples = "400d"', "store", "samples (400d) must be kept for a shorter time than hours (400d)"),
        ('days = "70d"', "store", "hours (400d) must be kept for a shorter time than days (70d)"),
    ],
)
def test_invalid_retention_is_reported(tmp_path: Path, table: str, place: str, words: str) -> None:
    """Each grain is kept longer than the finer one, and all of them as long as a forecast looks back."""
    (found,) = problems(tmp_path, f'[store]\npath = "/w.db"\n{table}\n')
    assert found.startswith(f"{place}: ")
    assert words in found
