"""`watchkeeper capacity`: whether one more guest fits, or a larger one, and what a larger host would change.

Not here: the answer (planning/capacity/decide.py), its sentences (planning/capacity/text.py), how it is shown
(cli/capacity_text.py).
"""

import asyncio
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import capacity_text, output
from watchkeeper.cli.amounts import Amount, Count, Pace, Size
from watchkeeper.cli.command_group import configured, ended
from watchkeeper.cli.database import opened
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.inventory.capacity import room as answer
from watchkeeper.inventory.scan import look
from watchkeeper.planning.capacity.answer import CapacityAnswer, Fit
from watchkeeper.planning.capacity.question import BadQuestion, Question
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers
from watchkeeper.web.planning.capacity_json import capacity_form


@click.command()
@configured
@click.option("--disk", type=Size(), help="Size of the guest's disk; with --enlarge the size to add, such as +16GiB.")
@click.option("--memory", type=Size(), help="The guest's memory; with --enlarge the memory to add.")
@click.option("--cpus", type=Count(), help="The guest's CPUs; with --enlarge the number to add.")
@click.option("--written", type=Size(), help="Data written to the disk at the start, such as an image.")
@click.option("--grows", type=Pace(), help="Growth after that, such as 1GiB/day, until the disk is full.")
@click.option(
    "--reserved", is_flag=True, help="The disk takes its full size at once (a ZFS volume that is not sparse)."
)
@click.option("--enlarge", metavar="NAME", help="An existing guest to enlarge.")
@click.option(
    "--store", metavar="STORE", help='The store for the disk, such as "pool skerry". Default: every store is checked.'
)
@click.option("--host-disk", type=Size(), help="Usable space to add to the store.")
@click.option("--host-memory", type=Size(), help="Memory to add to the host.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object: `fits`, and the figures behind it.")
def capacity(
    config: Path | None,
    *,
    disk: Amount | None,
    memory: Amount | None,
    cpus: Amount | None,
    written: Amount | None,
    grows: float | None,
    reserved: bool,
    enlarge: str | None,
    store: str | None,
    host_disk: Amount | None,
    host_memory: Amount | None,
    as_json: bool,
) -> None:
    """Check whether a guest fits on this host: now and in 30, 90 and 365 days, on which store, and why.

    Two cases are shown: growth continues as recorded (with --written and --grows for the new disk), and every virtual
    disk is written completely. A guest fits if there is space now, if the store does not become full within 90 days in
    19 of 20 simulated futures, and if memory and CPUs suffice. Nothing on the host is changed.

    \b
    watchkeeper capacity --disk 32GiB --memory 2GiB --cpus 2 --grows 1GiB/day
    watchkeeper capacity --enlarge hide-hub --disk +16GiB --memory +1GiB
    watchkeeper capacity --host-disk 1TiB --store "pool skerry"

    Exit codes: 0 it fits, 1 it does not, or that cannot be known yet, 66 there is no database.
    """  # noqa: D301  click reads \b as: keep the lines
    _as_it_is_meant([disk, memory, cpus], enlarge)
    question = Question(
        disk_bytes=_value(disk),
        memory_bytes=_value(memory),
        cpus=_value(cpus),
        written_bytes=_value(written),
        grows_bytes_per_day=grows or 0.0,
        reserved=reserved,
        enlarges=enlarge,
        store=store,
        host_disk_bytes=_value(host_disk),
        host_memory_bytes=_value(host_memory),
    )
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    try:
        found = asyncio.run(_ask(known, question))
    except BadQuestion as error:
        raise click.UsageError(str(error)) from error
    if as_json:
        output.as_json({"host": known.host.label} | capacity_form(found))
    else:
        capacity_text.show(found, known.host.label, known.host.zone)
    ended(Exit.OK if found.fit is Fit.YES else Exit.NEEDS_YOU)


def _as_it_is_meant(amounts: list[Amount | None], enlarge: str | None) -> None:
    """Require a plus and --enlarge together: without them 48GiB may be the new size or the amount to add."""
    for each in amounts:
        if each is not None and each.more != (enlarge is not None):
            raise click.UsageError(
                "with --enlarge, write the size to add with a plus, such as --enlarge hide-hub --disk +16GiB; "
                "without it, write sizes without a plus"
            )


def _value(amount: Amount | None) -> int:
    return amount.value if amount else 0


async def _ask(known: settings.Settings, question: Question) -> CapacityAnswer:
    workers = ThreadWorkers()
    try:
        async with opened(known) as store:
            host = await look(known, ProbeContext(Clock(), workers))
            return await answer(known, store, host, question)
    finally:
        workers.close()
