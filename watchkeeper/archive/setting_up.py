"""Sets an archive up: the database, its tables, and a login for every host and for the page. Safe to run again.

Not here: what is printed (cli/), and the tables and rights themselves (migrations.py, rights.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from watchkeeper.archive import driver, migrations, rights
from watchkeeper.archive.rights import Login
from watchkeeper.errors import ArchiveError

DATABASE = "watchkeeper"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What an archive should have. replace: hosts of which another installation may write from now on.

    new_passwords: also for roles that have one.
    """

    hosts: Sequence[str] = ()
    page: bool = False
    replace: Sequence[str] = ()
    new_passwords: bool = False


def set_up(address: str, wanted: Wanted) -> list[Login]:
    """Make what is missing; returns the logins of the hosts and the page. address: of a role that may create roles.

    Raises ArchiveError.
    """
    name = _database(address)
    psycopg = driver.driver()
    inside = psycopg.conninfo.make_conninfo(address, dbname=name)
    conn = driver.connect(inside)
    try:
        with driver.translated(driver.parts(inside)), conn.transaction():
            migrations.migrate(conn)
            rights.grant(conn)
            for each in wanted.replace:
                if not rights.replace_installation(conn, each):
                    raise ArchiveError(f'the archive has no host "{each}": run watchkeeper archive-init {each}')
            logins = [rights.add_host(conn, each, new_password=wanted.new_passwords) for each in wanted.hosts]
            if wanted.page:
                logins.append(rights.page_login(conn, new_password=wanted.new_passwords))
    finally:
        conn.close()
    return logins


def _database(address: str) -> str:
    """The name of the database, which is made where it is missing."""
    found = driver.parts(address)
    name = found.get("dbname", DATABASE)
    sql = driver.driver().sql
    first = driver.driver().conninfo.make_conninfo(address, dbname="postgres")
    conn = driver.connect(first)
    try:
        with driver.translated(driver.parts(first)):
            if conn.execute("SELECT 1 FROM pg_database WHERE datname = %s", (name,)).fetchone() is None:
                # Texts are compared by their bytes: an index then does not depend on the system's locale.
                conn.execute(
                    sql.SQL("CREATE DATABASE {} TEMPLATE template0 ENCODING 'UTF8' LOCALE 'C'").format(
                        sql.Identifier(name)
                    )
                )
    finally:
        conn.close()
    return name
