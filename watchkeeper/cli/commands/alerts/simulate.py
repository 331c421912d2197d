"""`watchkeeper simulate`: a test alert through the real rules and routes. The running daemon raises it."""

import asyncio
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import control
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.cli.subjects import subject_named
from watchkeeper.config.secrets import Secrets
from watchkeeper.daemon.control import Simulate
from watchkeeper.errors import StartError
from watchkeeper.messages.wording import clean, duration
from watchkeeper.model.alert import Priority
from watchkeeper.model.operator.simulation import LONGEST_SIMULATION_S
from watchkeeper.model.units import parse_duration


class Short(click.ParamType[float]):
    """How long the alert lasts, such as `5m`: seconds."""

    name = "time"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Parse it."""
        if isinstance(value, float):
            return value
        try:
            seconds = parse_duration(str(value))
        except (ValueError, OverflowError):
            self.fail(f'"{value}" is not a duration such as 5m', param, ctx)
        if not 1 <= seconds <= LONGEST_SIMULATION_S:
            self.fail(f'"{value}" is not between 1 s and {duration(LONGEST_SIMULATION_S)}', param, ctx)
        return seconds


@click.command()
@configured
@click.argument("name", metavar="SUBJECT", help="The subject's name, or a part of it.")
@click.argument("priority", type=click.Choice([each.word for each in Priority]), help="How urgent it is.")
@click.option("--for", "lasts_s", type=Short(), default="2m", show_default=True, help="How long it lasts.")
def simulate(config: Path | None, name: str, priority: str, *, lasts_s: float) -> None:
    """Raise a test alert about SUBJECT, to see who gets what and when.

    It goes through the delays of the subject's rules, what suppresses or groups alerts, the priorities and quiet hours
    of each notifier, and retries, as a real one does. It is marked as a test in every message, on the page and in the
    event log; readings, availability and forecasts are not touched. It ends by itself, and its end is sent too.
    Afterwards `watchkeeper explain SUBJECT` says what each notifier got.

    \b
    watchkeeper simulate "pool skerry" alarm
    watchkeeper simulate hide-hub warning --for 10m

    Exit codes: 0 done, 64 there is no such subject, or several, 66 there is no database, 69 the daemon does not run,
    77 no permission.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    subject = asyncio.run(_subject(known, name))
    if not control.ask(known, Simulate.model_validate({"subject": subject, "priority": priority, "lasts_s": lasts_s})):
        raise StartError(f'the daemon does not monitor "{clean(subject, 60)}" now: was it removed or renamed?')
    click.echo(
        f"A simulated {priority} about {clean(subject)} goes through the delays and routes of a real one. It ends by "
        f"itself {duration(lasts_s)} after its on-delay."
    )
    click.echo(f'What each notifier gets: watchkeeper explain "{clean(subject)}"')


async def _subject(known: settings.Settings, name: str) -> str:
    async with opened(known) as store:
        return await subject_named(store, name)
