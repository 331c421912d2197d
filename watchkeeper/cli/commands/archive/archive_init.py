"""`watchkeeper archive-init`: makes the archive in PostgreSQL, and prints what to put where."""

from pathlib import Path
from urllib.parse import quote

import click

from watchkeeper.archive.driver import parts
from watchkeeper.archive.rights import Login
from watchkeeper.archive.setting_up import DATABASE, Wanted, set_up
from watchkeeper.errors import InputMissing
from watchkeeper.messages.wording import clean

SOCKET = "/var/run/postgresql"
"""Where Debian's server has its socket."""

AUTHORITIES = "/etc/ssl/certs/ca-certificates.crt"
"""Debian's file of all authorities."""

LONGEST_NAME = 100
"""Of a host, as its configuration allows."""

FILE = "/etc/watchkeeper/archive-url"


@click.command(name="archive-init")
@click.argument("hosts", nargs=-1, metavar="[HOST]...", help="Names of hosts, as their [host] name says.")
@click.option("--page", is_flag=True, help="Also make the login of a station, which only reads.")
@click.option("--replace", multiple=True, metavar="HOST", help="Let another installation write under this name.")
@click.option("--new-passwords", is_flag=True, help="Also for logins that have a password.")
@click.option(
    "--address", metavar="NAME[:PORT]", default="", help="The server's name for the other hosts. Default: its socket."
)
@click.option(
    "--url-file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Holds the address of the server with a role that may make roles. Default: the local socket, as this user.",
)
def archive_init(
    hosts: tuple[str, ...],
    replace: tuple[str, ...],
    address: str,
    url_file: Path | None,
    *,
    page: bool,
    new_passwords: bool,
) -> None:
    """Make the archive in PostgreSQL with a login for each HOST, and print what to put where.

    Run it as a user who may make databases and roles, after each upgrade too: it adds what is missing, and keeps the
    rest. Each password is printed once. Over a network, the server needs a certificate that the hosts can check.

    \b
    sudo -u postgres watchkeeper archive-init gannet petrel fulmar --page
    sudo -u postgres watchkeeper archive-init gannet petrel --address jetty.example.org
    sudo -u postgres watchkeeper archive-init --replace petrel

    Exit codes: 0 it is complete, 66 the file cannot be read, 69 the server cannot be reached or refuses.
    """  # noqa: D301  click reads \b as: keep the lines
    for name in hosts:
        if not name.isprintable() or name != name.strip() or not 0 < len(name) <= LONGEST_NAME:
            raise click.UsageError(f"{clean(name, 60)} is no name of a host: write it as its [host] name says")
    given = _given(url_file)
    found = set_up(given, Wanted(hosts, page=page, replace=replace, new_passwords=new_passwords))
    click.echo("the archive is complete")
    for each in found:
        click.echo(_said(each, url_of(each, address, socket_of(given)), page=page and each is found[-1]))


def _given(file: Path | None) -> str:
    if file is None:
        return f"dbname={DATABASE}"
    try:
        return file.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InputMissing(
            f"{file} cannot be read: {getattr(error, 'strerror', None) or 'it is not UTF-8 text'}"
        ) from None


def _said(login: Login, url: str, *, page: bool) -> str:
    """What to put where for one login."""
    where = "the station" if page else login.name
    if not login.password:
        return f"\n{where}: has its login already (--new-passwords makes a new password)"
    return (
        f"\n{where}: write this line to {FILE}, readable by watchkeeper alone:\n"
        f"    {url}\n"
        "and this into its configuration:\n"
        "    [archive]\n"
        f'    url = {{ file = "{FILE}" }}'
    )


def socket_of(given: str) -> str:
    """The folder of the server's socket, if it is reached through one."""
    host = parts(given).get("host", SOCKET)
    return host if host.startswith("/") else SOCKET


def url_of(login: Login, address: str, socket: str) -> str:
    """The address for a login. address: the server's name; empty for its socket in a folder."""
    who = f"{quote(login.role, safe='')}:{quote(login.password, safe='')}"
    if not address:
        return f"postgresql://{who}@/{DATABASE}?host={quote(socket, safe='')}"
    return f"postgresql://{who}@{address}/{DATABASE}?sslmode=verify-full&sslrootcert={AUTHORITIES}"
