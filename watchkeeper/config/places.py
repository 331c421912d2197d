"""Where watchkeeper keeps its database and looks for its configuration (XDG Base Directory, systemd's directories)."""

import os
import pwd
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import Field, field_validator

from watchkeeper.config.fields import Strict, WholePath

DATABASE = "watchkeeper.db"
SYSTEM_CONFIG = Path("/etc/watchkeeper/config.toml")
SYSTEM_STATE = Path("/var/lib/watchkeeper") / DATABASE
"""Where the systemd unit keeps it; named in the error of a command that finds nothing in the keeper's own place."""


def home(environ: Mapping[str, str] = os.environ) -> Path | None:
    """The home folder: $HOME, else the one of the password database; None where neither is a whole path."""
    if named := _whole(environ.get("HOME", "")):
        return named
    try:
        return _whole(pwd.getpwuid(os.getuid()).pw_dir)
    except KeyError:
        return None


def _whole(text: str) -> Path | None:
    """The path, if it is a whole one. XDG: a path that is not absolute is to be ignored."""
    return Path(text) if Path(text).is_absolute() else None


def state_path(environ: Mapping[str, str] = os.environ) -> Path:
    """The database's default place. Raises ValueError where the environment names none."""
    if given := _whole(environ.get("STATE_DIRECTORY", "").split(":")[0]):
        return given / DATABASE
    if shared := _whole(environ.get("XDG_STATE_HOME", "")):
        return shared / "watchkeeper" / DATABASE
    if own := home(environ):
        return own / ".local" / "state" / "watchkeeper" / DATABASE
    raise ValueError(
        "no place for the database: neither $STATE_DIRECTORY nor $XDG_STATE_HOME nor $HOME names one; "
        'write path = "/whole/path/of/watchkeeper.db" under [store]'
    )


def config_places(environ: Mapping[str, str] = os.environ) -> tuple[Path, ...]:
    """Where a configuration is looked for when none is named; the first that exists is read."""
    places = []
    if shared := _whole(environ.get("XDG_CONFIG_HOME", "")):
        places.append(shared / "watchkeeper" / "config.toml")
    if own := home(environ):
        places.append(own / ".config" / "watchkeeper" / "config.toml")
    return (*dict.fromkeys(places), SYSTEM_CONFIG)


class StoreSettings(Strict):
    """Where the history, the alerts and the journal are kept.

    path: the SQLite database. Where none is set, watchkeeper.db in systemd's StateDirectory, else in
    `$XDG_STATE_HOME/watchkeeper`, else in `~/.local/state/watchkeeper`.
    """

    path: WholePath = Field(default=Path(), validate_default=True)

    @field_validator("path", mode="before")
    @classmethod
    def _default(cls, value: Any) -> Any:  # noqa: ANN401  what TOML holds
        return state_path() if value == Path() else value
