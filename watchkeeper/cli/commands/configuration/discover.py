"""`watchkeeper discover`: examines this host and writes a commented configuration for what it finds."""

import asyncio
import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

import click

from watchkeeper import settings
from watchkeeper.cli import output
from watchkeeper.cli.command_group import configured, ended, warn
from watchkeeper.cli.exit_codes import Exit
from watchkeeper.clock import Clock
from watchkeeper.config.loading import Loaded
from watchkeeper.config.secrets import Secrets
from watchkeeper.discovery.diff import Difference, compare
from watchkeeper.discovery.document import Survey, render, table_lines
from watchkeeper.discovery.finders.listeners import hear
from watchkeeper.discovery.host import Host
from watchkeeper.discovery.registry import discover as look
from watchkeeper.errors import ConfigError, OutputError
from watchkeeper.messages.wording import clean
from watchkeeper.ownership.file_rights import with_rights_of
from watchkeeper.ownership.folder_owner import owner_of
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.support.workers import ThreadWorkers

FILE_MODE = 0o600
"""It names guests, services and addresses, and secrets' files may be added to it."""


@click.command()
@configured
@click.option("--write", "target", type=click.Path(path_type=Path), metavar="FILE",
              help="Write it to a new file; an existing file is never overwritten.")  # fmt: skip
@click.option(
    "--diff", is_flag=True, help="Compare with the configuration in use: list what is new and what is missing."
)
@click.option("--no-requests", is_flag=True, help="Only list this host's listening ports; send no requests.")
def discover(config: Path | None, target: Path | None, *, diff: bool, no_requests: bool) -> None:
    """Examine this host and propose a commented configuration.

    It changes nothing and needs no special permission. What this user cannot see is listed at the end, with the
    permission that is missing. Each listening TCP port of this host, and about 30 well-known ports of guests whose
    agent reports an address, are sent one `GET /`, except ports where that could do harm.

    \b
    watchkeeper discover                        print the proposal
    watchkeeper discover --write gannet.toml    write it to a new file
    watchkeeper discover --diff                 list what is new and what is missing

    Exit codes: 0 done (with --diff: no difference), 1 with --diff: there are differences, 73 the file exists or cannot
    be written, 78 with --diff: the configuration cannot be used.
    """  # noqa: D301  click reads \b as: keep the lines
    if diff and target:
        raise click.UsageError("--diff and --write cannot be used together")
    loaded = _in_use(config, needed=diff)
    found = _look(loaded, ask_web=not no_requests)
    if diff:
        known = loaded.settings.probes if loaded else ()
        ended(_differs(compare(found.found, known), found, loaded))
    text = render(found)
    if target is None:
        click.echo(text, nl=False)
    else:
        _write(target, text)
        warn(f"wrote {clean(str(target), 400)}; to see what it means, run: watchkeeper --config {target} check-config")


def _in_use(config: Path | None, *, needed: bool) -> Loaded[settings.Settings] | None:
    """The configuration in use. A proposal does not need it, so an unusable one does not prevent the proposal."""
    try:
        return settings.read(config, secrets=Secrets.LEFT_ALONE)
    except ConfigError:
        if needed:
            raise
        return None


def _look(loaded: Loaded[settings.Settings] | None, *, ask_web: bool) -> Survey:
    known = loaded.settings if loaded else settings.known_model()()
    clock, workers = Clock(), ThreadWorkers()
    host = Host(ProbeContext(clock, workers), hear, ask_web=ask_web, own_port=known.page.port)
    try:
        sections = asyncio.run(look(host))
    finally:
        workers.close()
    return Survey(known.host.label, clock.now(), sections)


def _differs(difference: Difference, found: Survey, loaded: Loaded[settings.Settings] | None) -> Exit:
    source = loaded.path if loaded and loaded.path else "the defaults (there is no configuration file)"
    if not difference.appeared and not difference.gone:
        click.echo(f"Nothing differs from {source}.")
    _listed("New, and not monitored by name", difference.appeared)
    _listed("Gone, but still in the configuration", difference.gone)
    if difference.proposals:
        output.heading("Proposed tables")
        for each in difference.proposals:
            click.echo("\n".join(["", *table_lines(each)]))
        output.blank()
    _listed("Could not be examined", [str(each) for each in found.found.unseen])
    return Exit.NEEDS_YOU if difference.appeared or difference.gone else Exit.OK


def _listed(heading: str, lines: Sequence[str]) -> None:
    if lines:
        output.heading(heading)
        output.paragraph("\n".join(f"- {clean(line, 400)}" for line in lines))
        output.blank()


def _write(target: Path, text: str) -> None:
    """Create a new file; a file that could not be written completely is removed. Raises OutputError."""
    with_rights_of(owner_of(target.parent, shared=True), lambda: _make(target, text))


def _make(target: Path, text: str) -> None:
    try:
        handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)
    except FileExistsError:
        raise OutputError(
            f"{target} exists and is not overwritten; name another file, or run: watchkeeper discover --diff"
        ) from None
    except (OSError, ValueError) as error:
        raise OutputError(f"{target} cannot be created: {getattr(error, 'strerror', None) or error}") from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        with contextlib.suppress(OSError):
            target.unlink()
        raise OutputError(f"{target} cannot be written: {error.strerror}") from error
