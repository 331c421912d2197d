"""`watchkeeper password`: makes the hash of the operator's password, for `page.password`."""

import sys
from pathlib import Path

import click

from watchkeeper.errors import OutputError
from watchkeeper.ownership.whole_file import write_whole
from watchkeeper.web.auth import passwords


@click.command()
@click.option(
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the hash to this file, readable only by you, instead of printing it. Replaces the file.",
)
def password(output: Path | None) -> None:
    """Create the hash of the password for the status page.

    It asks for the password twice and does not show it; from a pipe it reads one line. The password has at least 12
    characters. Only its hash is stored. Name the file with the hash under [page]: password = { file = "..." }.

    \b
    watchkeeper password --output page-password
    watchkeeper password | ssh gannet sudo install -m 600 /dev/stdin /etc/watchkeeper/page-password

    Exit codes: 0 done, 64 the password is too short or too long, 73 the file cannot be written.
    """  # noqa: D301  click reads \b as: keep the lines
    try:
        made = passwords.make(_asked())
    except ValueError as error:
        raise click.UsageError(f"the password cannot be used: {error}") from None
    if output is None:
        click.echo(str(made))
        return
    _write(output, f"{made}\n")
    click.echo(f'wrote {output}; set under [page]: password = {{ file = "{output.resolve()}" }}', err=True)


def _asked() -> str:
    if sys.stdin is None:
        raise click.UsageError("there is no password to read: standard input is closed")
    if sys.stdin.isatty():
        return str(click.prompt("Password", hide_input=True, confirmation_prompt="Password again", err=True))
    return sys.stdin.readline().rstrip("\r\n")


def _write(path: Path, text: str) -> None:
    """Write a file that nobody else can read at any moment, and that is either complete or absent."""
    try:
        write_whole(path, text.encode())
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written: {error.strerror}; name a file in a folder that exists and that you may write to"
        ) from None
