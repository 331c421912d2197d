"""`watchkeeper restored`: the operator reports that a restore was tried. The daemon reads it on its next run."""

import difflib
from datetime import datetime
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import when
from watchkeeper.cli.command_group import configured
from watchkeeper.cli.report_folder import report_folder
from watchkeeper.clock import Clock
from watchkeeper.config.secrets import Secrets
from watchkeeper.inventory.copies import backs_up
from watchkeeper.messages.wording import clean
from watchkeeper.model.probe_state import JobReport, restore_of
from watchkeeper.probes.services.job import JobSettings
from watchkeeper.probes.storage.snapshot_files import SnapshotsSettings
from watchkeeper.settings import Settings
from watchkeeper.store.files import job_spool


@click.command()
@configured
@click.argument("name")
@click.option("--note", default="", metavar="TEXT", help="What was restored, and how it was compared; one line.")
@click.option("--at", "at", type=when.When(), help=f"When it was tried. Default: now. {when.HELP}")
@click.option("--failed", is_flag=True, help="The restore did not succeed.")
def restored(config: Path | None, name: str, *, note: str, at: when.Moment | None, failed: bool) -> None:
    """Report that a restore of the backup NAME was tried and succeeded, or with --failed that it failed.

    NAME is a [[probe]] of kind "snapshots" or "job", or a guest that only one of them backs up. The date is shown by
    `watchkeeper backups`, on the page and in the API. With restore_within in that probe, the next trial is due so long
    after it. A failed one is an alert until a later one succeeds.

    Run this as the user that runs watchkeeper, or as root. It also works while the daemon is stopped.

    \b
    watchkeeper restored hide-hub --note "into a spare disk; the guest booted, the heaters answer"
    watchkeeper restored ringing-db --at 2026-11-12 --note "pg_restore, 3.1 million rings"

    Exit codes: 0 the report is written for the daemon, 64 there is no such backup in the configuration, or the time is
    in the future, 66 there is no database, 69 the report cannot be written, 77 no permission.
    """  # noqa: D301  click reads \b as: keep the lines
    known = settings.read(config, secrets=Secrets.LEFT_ALONE).settings
    backup, tried_at = _backup(known, name), _time(known, at)
    report = JobReport(restore_of(backup), tried_at, failed, clean(note, job_spool.MESSAGE_LIMIT))
    job_spool.leave(report_folder(known), report, past=at is not None)
    click.echo(
        f"Reported that a restore of {clean(backup)} {'failed' if failed else 'succeeded'}. "
        "The daemon reads it at the next run of the probe."
    )


def _backup(known: Settings, name: str) -> str:
    """The name of the probe. Raises UsageError if none or several are meant."""
    probes = [each for each in known.probes if isinstance(each, SnapshotsSettings | JobSettings)]
    names = [each.name for each in probes]
    if name in names:
        return name
    of_guest = [each.name for each in probes if backs_up(each, name)]
    if len(of_guest) == 1:
        return of_guest[0]
    if of_guest:
        raise click.UsageError(f'guest "{clean(name)}" has several backups; name one: {", ".join(of_guest)}')
    near = difflib.get_close_matches(name, names, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(names) or 'none yet'}"
    raise click.UsageError(f'no [[probe]] of kind "snapshots" or "job" is named "{clean(name)}"; {hint}')


def _time(known: Settings, at: when.Moment | None) -> datetime:
    """When it was tried. Raises UsageError if that is not in the past."""
    now = Clock().now()
    found = now if at is None else at.at(known.host.zone)
    if found is None or found > now:
        raise click.UsageError("the time of a restore is in the past")
    return found
