"""Commands that were renamed: an old one is refused, with the command line to use instead.

A script or a timer that still has the old name fails at once and says why; it does not run something that is nearly the
same. Not here: keys of the configuration (config/deprecations.py).
"""

import os
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import click


@dataclass(frozen=True, slots=True)
class Renamed:
    """The new name of a command, the version that renamed it, and the options that it renamed."""

    to: str
    since: str
    options: Mapping[str, str] = field(default_factory=dict)


RENAMED = {
    "board": Renamed("status", "0.2.0"),
    "journal": Renamed("events", "0.2.0"),
    "survey": Renamed("discover", "0.2.0"),
    "once": Renamed("probe", "0.2.0"),
    "rehearse": Renamed("backtest", "0.2.0"),
    "room": Renamed("capacity", "0.2.0"),
    "ready": Renamed("preflight", "0.2.0", {"--leave-out": "--skip"}),
    "frees": Renamed("reclaim", "0.2.0"),
    "checkin": Renamed("ran", "0.2.0", {"--said": "--message"}),
}
"""By the old name."""


def _renamed_option(word: str, options: Mapping[str, str]) -> str:
    """An option under its new name; `--option=value` too."""
    name, equals, value = word.partition("=")
    return options.get(name, name) + equals + value


class RenamedError(click.UsageError):
    """An old command name was used. One line: the shell of a cron job mails every line."""

    exit_code = os.EX_USAGE

    def __init__(self, old: str, before: Sequence[str], after: Sequence[str]) -> None:
        """Make it. before and after: the words on both sides of the name."""
        found = RENAMED[old]
        new = [_renamed_option(word, found.options) for word in after]
        line = shlex.join(["watchkeeper", *before, found.to, *new])
        super().__init__(f"watchkeeper {old} was renamed in {found.since}: use {line}")

    def show(self, file: object = None) -> None:  # noqa: ARG002  click's signature
        """Print the one line on stderr."""
        click.echo(self.message, err=True)
