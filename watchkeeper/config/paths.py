"""Where watchkeeper stores its database and for how long, and where it looks for its configuration.

The places are those of the XDG Base Directory specification and of systemd's directories.
"""

import os
import pwd
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Self

from pydantic import Field, field_validator, model_validator

from watchkeeper.config.fields import Duration, Size, Strict, WholePath
from watchkeeper.model.units import DAY_S, format_duration

SMALLEST_MAX_SIZE_BYTES = 16 * 2**20
"""A smaller bound would leave no room for the hours of a small house and the journal."""

DATABASE = "watchkeeper.db"
SYSTEM_CONFIG = Path("/etc/watchkeeper/config.toml")
SYSTEM_STATE = Path("/var/lib/watchkeeper") / DATABASE
"""Where the systemd unit keeps it; named in the error of a command that finds nothing in the keeper's own place."""


def home(environ: Mapping[str, str] = os.environ) -> Path | None:
    """The home folder: $HOME, else the one of the password database; None if neither is an absolute path."""
    if named := _whole(environ.get("HOME", "")):
        return named
    try:
        return _whole(pwd.getpwuid(os.getuid()).pw_dir)
    except KeyError:
        return None


def _whole(text: str) -> Path | None:
    """The path, if it is absolute. XDG: a path that is not absolute is to be ignored."""
    return Path(text) if Path(text).is_absolute() else None


def state_path(environ: Mapping[str, str] = os.environ) -> Path:
    """The database's default place. Raises ValueError if the environment names none."""
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
    """The places searched for a configuration when none is named; the first that exists is read."""
    places = []
    if shared := _whole(environ.get("XDG_CONFIG_HOME", "")):
        places.append(shared / "watchkeeper" / "config.toml")
    if own := home(environ):
        places.append(own / ".config" / "watchkeeper" / "config.toml")
    return (*dict.fromkeys(places), SYSTEM_CONFIG)


class StoreSettings(Strict):
    """Where the history, the alerts and the journal are kept, and for how long.

    path: the SQLite database. Where none is set, watchkeeper.db in systemd's StateDirectory, else in
    `$XDG_STATE_HOME/watchkeeper`, else in `~/.local/state/watchkeeper`.
    samples: how long samples are kept as they came, at least a day. Then each hour of a series becomes one row, with
    its least, mean, most and last.
    hours: how long these hours are kept, at least 60 days. Then each day becomes one row.
    days: how long these days are kept. Then nothing is left of them.
    events: how long entries of the event log are kept.
    delivered: how long messages are kept once they are delivered.
    forget_after: how long what is no longer seen stays on the page. Its history stays as long as any.
    max_size: the size that the database may reach. At that, the oldest samples become hours sooner than set.
    """

    path: WholePath = Field(default=Path(), validate_default=True)
    samples: Duration = Field(14 * DAY_S, ge=DAY_S)
    hours: Duration = Field(400 * DAY_S, ge=60 * DAY_S)
    days: Duration = Field(3650 * DAY_S)
    events: Duration = Field(1825 * DAY_S)
    delivered: Duration = Field(90 * DAY_S)
    forget_after: Duration = Field(90 * DAY_S)
    max_size: Size = Field(2 * 2**30, ge=SMALLEST_MAX_SIZE_BYTES)

    @field_validator("path", mode="before")
    @classmethod
    def _default(cls, value: Any) -> Any:  # noqa: ANN401  what TOML holds
        return state_path() if value == Path() else value

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Each resolution must be kept longer than the one before."""
        for finer, coarser in (("samples", "hours"), ("hours", "days")):
            if getattr(self, finer) >= getattr(self, coarser):
                raise ValueError(
                    f"{finer} ({format_duration(getattr(self, finer))}) must be kept for a shorter time than"
                    f" {coarser} ({format_duration(getattr(self, coarser))})"
                )
        return self
