"""`watchkeeper demo`: an invented station in accelerated time, monitored by the real code."""

import asyncio
import secrets
import tempfile
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from pathlib import Path

import click

from watchkeeper.clock import Clock
from watchkeeper.demo.simulation import STEP_S, DemoOptions, Simulation, build
from watchkeeper.model.message import Message
from watchkeeper.model.units import DAY_S

TICK_S = 0.25
"""The simulated time moves so often; the page shows it every few seconds."""


@click.command()
@click.option(
    "--port",
    type=click.IntRange(0, 65_535),
    default=8_418,
    show_default=True,
    help="The port of the status page; 0 for any free one.",
)
@click.option(
    "--day",
    "day_s",
    type=click.FloatRange(2, 86_400),
    default=12.0,
    show_default=True,
    metavar="SECONDS",
    help="How long a simulated day takes.",
)
def demo(port: int, day_s: float) -> None:
    """Show what watchkeeper does, with a simulated server whose time runs fast.

    The server of a bird observatory is OK for a day. Then its pool starts to fill, a snapshot is overdue, the pool
    becomes full and its guests stop. The operator repairs it, and everything is OK again. That takes a minute; the
    simulation starts again after eight days. Messages are printed instead of sent. This host is not monitored, and
    nothing is stored.

    \b
    watchkeeper demo
    watchkeeper demo --port 0 --day 30

    Exit codes: 0 ended with Ctrl-C, 69 the port is in use.
    """  # noqa: D301  click reads \b as: keep the lines
    click.echo("Simulating a month of history ...", err=True)
    with tempfile.TemporaryDirectory(prefix="watchkeeper-demo-") as place:
        bill = DemoOptions(Path(place), port, secrets.token_urlsafe(12), _hear, _morning(Clock().now()))
        try:
            asyncio.run(_play(bill, day_s))
        except KeyboardInterrupt:
            click.echo("The demo has ended. Its data was deleted.", err=True)


def _morning(now: datetime) -> datetime:
    """Eight in the morning of today: the story begins by day."""
    return now.astimezone(UTC).replace(hour=8, minute=0, second=0, microsecond=0)


async def _play(bill: DemoOptions, day_s: float) -> None:
    async with AsyncExitStack() as stack:
        stage = await build(bill, stack)
        click.echo(f"page: {stage.address}\npassword: {bill.password}\nA day takes {day_s:g} s. Press Ctrl-C to end.\n")
        await _run(stage, DAY_S / day_s)


async def _run(stage: Simulation, speed: float) -> None:
    """Run the simulated time `speed` times as fast as real time, as far as this machine keeps up."""
    owed_s = 0.0
    while True:
        owed_s = min(owed_s + TICK_S * speed, 4 * TICK_S * speed)
        whole = owed_s // STEP_S * STEP_S
        owed_s -= whole
        began_s = asyncio.get_running_loop().time()
        await stage.advance(whole)
        await asyncio.sleep(max(TICK_S - (asyncio.get_running_loop().time() - began_s), 0.01))


def _hear(message: Message) -> None:
    click.echo(f"{message.at:%a %d %b %H:%M}  {message.headline}")
