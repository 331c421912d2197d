"""`watchkeeper ran`: a job reports that it ran, or that it failed. The daemon reads it on its next run."""

import difflib
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli.command_group import configured, ended, warn
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config import paths
from watchkeeper.config.loading import Loaded
from watchkeeper.config.secrets import Secrets
from watchkeeper.errors import AccessDenied, StoreMissing
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
    folder = job_spool.spool_of(_database(known))
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


def _database(known: Settings) -> Path:
    """The database that the daemon writes to: the configured one, else this user's own, else the service's.

    Raises StoreMissing if there is none, AccessDenied if this user may not see it.
    """
    own, service = known.store.path, paths.SYSTEM_STATE
    tried = [own] if "path" in known.store.model_fields_set else [own, service]
    try:
        found = next((path for path in tried if path.exists()), None)
    except OSError as error:
        raise AccessDenied(
            f"{error.filename} may not be looked at by this user; run this as root or as the user that runs watchkeeper"
        ) from None
    if found is None:
        where = " nor at ".join(str(path) for path in dict.fromkeys(tried))
        raise StoreMissing(f"there is no database at {where} yet; start `watchkeeper run`, or name its configuration")
    return found
