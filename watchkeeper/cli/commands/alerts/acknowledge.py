"""`watchkeeper acknowledge`: the operator knows of an alert. The running daemon records it."""

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import control
from watchkeeper.cli.alerts import acknowledged, line, named
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.database import opened
from watchkeeper.config.secrets import Secrets
from watchkeeper.daemon.control import Acknowledge
from watchkeeper.model.alert import OPEN, Alert, State


@click.command()
@configured
@click.argument("name", default="", required=False)
@click.option("--all", "every", is_flag=True, help="Every alert that NAME fits; without a NAME, every alert.")
def acknowledge(config: Path | None, name: str, *, every: bool) -> None:
    """Acknowledge the alert about the subject NAME or a part of its name. Without NAME it lists what is open.

    It asks the running daemon over a socket beside the database, so only root and the user that runs watchkeeper can.

    \b
    watchkeeper acknowledge
    watchkeeper acknowledge "pool skerry"
    watchkeeper acknowledge --all

    Exit codes: 0 done, 64 there is no such alert, or several, 66 there is no database, 69 the daemon does not run,
    77 no permission.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    alerts = asyncio.run(alerts_of(known))
    waiting = [each for each in alerts if each.state in OPEN]
    if not name and not every:
        for each in waiting:
            click.echo(line(each))
        if not waiting:
            click.echo("There is nothing to acknowledge.")
        return
    if done_before := [] if every else acknowledged(alerts, name):
        click.echo("\n".join(f"It is acknowledged already: {line(each)}" for each in done_before))
        return
    for each in named(waiting, name, every=every):
        asked = Acknowledge(subject=each.key.subject, quantity=each.key.quantity, concern=each.concern)
        done = control.ask(known, asked)
        if done:
            each = replace(each, state=State.ACKNOWLEDGED if each.standing else State.NORMAL)  # noqa: PLW2901
        click.echo(f"{'Acknowledged' if done else 'It has changed, nothing was acknowledged'}: {line(each)}")


async def alerts_of(known: settings.Settings) -> Sequence[Alert]:
    """The alerts as they are stored."""
    async with opened(known) as store:
        return await store.alerts()
