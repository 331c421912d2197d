"""`watchkeeper ran`: a job reports that it ran, or that it failed. The daemon reads it on its next run."""

import difflib
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured, ended, warn
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.cli.report_folder import report_folder
from watchkeeper.clock import Clock
from watchkeeper.config.loading import Loaded
from watchkeeper.config.secrets import Secrets
from watchkeeper.messages.wording import clean
from watchkeeper.model.probe_state import JobReport
from watchkeeper.probes.services.job import JobSettings
from watchkeeper.settings import Settings
from watchkeeper.store.files import job_spool


@click.command()
@configured
@click.argument("job", metavar="NAME")
@click.option("--failed", is_flag=True, help="The job did not succeed.")
@click.option("--message", default="", metavar="TEXT", help="The job's own message, in one line.")
def ran(config: Path | None, job: str, *, failed: bool, message: str) -> None:
    """Report that the job NAME has run, or with --failed that it failed.

    NAME is the name of a [[probe]] of kind "job" in the configuration. Run this at the end of the job, as the user that
    runs watchkeeper, or as root. It also works while the daemon is stopped: the report is read when it starts.

    \b
    nightly-backup && watchkeeper ran nightly-backup
    watchkeeper ran nightly-backup --failed --message "the disk is full"

    Exit codes: 0 the report is written for the daemon, 64 there is no such job in the configuration, 66 there is no
    database, 69 the report cannot be written, 77 no permission.
    """  # noqa: D301  click reads \b as: keep the lines
    loaded = settings.read(config, secrets=Secrets.LEFT_ALONE)
    known = loaded.settings
    jobs = [each.name for each in known.probes if isinstance(each, JobSettings)]
    if job not in jobs:
        warn(f"{_unknown(job, jobs)}; {_read(loaded)}")
        ended(Exit.USAGE)
    folder = report_folder(known)
    job_spool.leave(folder, JobReport(job, Clock().now(), failed, clean(message, job_spool.MESSAGE_LIMIT)))
    click.echo(
        f"Reported that {job} {'failed' if failed else 'ran'}. The daemon reads it at the next run of the probe."
    )


def _unknown(job: str, jobs: list[str]) -> str:
    near = difflib.get_close_matches(job, jobs, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"known: {', '.join(jobs) or 'none yet'}"
    return f'no [[probe]] of kind "job" is named "{clean(job)}"; {hint}'


def _read(loaded: Loaded[Settings]) -> str:
    """Which configuration was read: a daemon may run with another one."""
    if loaded.path is None:
        return "no configuration file was found, so the defaults were used: name the daemon's with --config"
    return f"the configuration that was read is {loaded.path}"
