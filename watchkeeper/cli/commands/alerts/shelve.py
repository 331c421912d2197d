"""`watchkeeper shelve`: no messages about an alert for a time. The running daemon does it."""

import asyncio
from datetime import datetime, timedelta
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import control
from watchkeeper.cli.alerts import line, named
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.commands.alerts.acknowledge import alerts_of
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.daemon.control import Shelve, Unshelve
from watchkeeper.messages.wording import duration, instant
from watchkeeper.model.alert import LONGEST_SHELVED, Alert
from watchkeeper.model.units import parse_duration


class Span(click.ParamType[timedelta | None]):
    """How long, such as `8h` or `3d`; or `once`: until the alert ends."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> timedelta | None:
        """Parse it."""
        if str(value) == "once":
            return None
        try:
            span = timedelta(seconds=parse_duration(str(value)))
        except (ValueError, OverflowError):
            self.fail(f'"{value}" is neither a duration such as 8h or 3d nor the word once', param, ctx)
        if not timedelta() < span <= LONGEST_SHELVED:
            longest = duration(LONGEST_SHELVED.total_seconds())
            self.fail(f'"{value}" is not between 1 s and {longest}; nothing is shelved longer', param, ctx)
        return span


@click.command()
@configured
@click.argument("name")
@click.option("--for", "span", type=Span(), default="1d", show_default=True, help="How long, or `once`: until it ends.")
@click.option("--end", is_flag=True, help="End the shelving.")
@click.option("--all", "every", is_flag=True, help="Every alert that NAME fits.")
def shelve(config: Path | None, name: str, *, span: timedelta | None, end: bool, every: bool) -> None:
    """Shelve the alert about the subject NAME or a part of its name: no messages about it for a time.

    It asks the running daemon over a socket beside the database, so only root and the user that runs watchkeeper can.

    \b
    watchkeeper shelve nest-cams --for 8h
    watchkeeper shelve "pool skerry" --for once
    watchkeeper shelve nest-cams --end

    Exit codes: 0 done, 64 there is no such alert, or several, 66 there is no database, 69 the daemon does not run,
    77 no permission.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    now = Clock().now()
    candidates = [each for each in asyncio.run(alerts_of(known)) if (each.shelved(now) if end else each.standing)]
    until = None if span is None else now + span
    said = f"until {instant(until, known.host.zone, now)}" if until else "until it ends"
    for each in named(candidates, name, every=every):
        done = control.ask(known, _request(each, until, end=end))
        text = "No longer shelved" if end else f"Shelved {said}"
        click.echo(f"{text if done else 'It has changed, nothing was done'}: {line(each)}")


def _request(alert: Alert, until: datetime | None, *, end: bool) -> Shelve | Unshelve:
    about = {"subject": alert.key.subject, "quantity": alert.key.quantity, "concern": alert.concern}
    return Unshelve.model_validate(about) if end else Shelve.model_validate({**about, "until": until})
