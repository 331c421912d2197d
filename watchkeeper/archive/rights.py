"""Roles and their rights: one role for each host, which writes and sees its own rows only, and one that reads.

Row-level security decides by the role of the session, so a host that is taken over by somebody cannot read, change or
delete what others have written. Not here: the tables (migrations.py), and what a command prints.
"""

import hashlib
import secrets
from dataclasses import dataclass
from typing import Any

from watchkeeper.archive.driver import driver
from watchkeeper.archive.migrations import TABLES

HOSTS, PAGE = "watchkeeper_hosts", "watchkeeper_page"
"""The group of all hosts' roles, and the role of stations."""

LONGEST_ROLE = 63
"""Bytes of a name in PostgreSQL (NAMEDATALEN - 1)."""

_DELETED = ("latest", "findings", "alerts")
"""Tables whose rows end: the others only grow."""


@dataclass(frozen=True, slots=True)
class Login:
    """A role that logs in. password: empty where the role was there already and kept its own."""

    name: str
    role: str
    password: str


def role_of(host: str) -> str:
    """The role of a host. A name that is too long ends with a digest of the whole."""
    role = f"watchkeeper_host_{host}"
    if len(role.encode()) <= LONGEST_ROLE:
        return role
    digest = hashlib.sha256(host.encode()).hexdigest()[:12]
    return role.encode()[: LONGEST_ROLE - 13].decode(errors="ignore") + "_" + digest


def grant(conn: Any) -> None:  # noqa: ANN401  a connection of the optional driver
    """Make the two groups, and give them their rights. Does nothing twice; the caller opens the transaction."""
    sql = driver().sql
    for role in (HOSTS, PAGE):
        if not _there(conn, role):
            conn.execute(sql.SQL("CREATE ROLE {} NOLOGIN").format(sql.Identifier(role)))
    (database,) = conn.execute("SELECT current_database()").fetchone()
    named = {"hosts": sql.Identifier(HOSTS), "page": sql.Identifier(PAGE), "database": sql.Identifier(database)}

    def run(text: str, **more: object) -> None:
        conn.execute(sql.SQL(text).format(**named, **more))

    run("REVOKE ALL ON DATABASE {database} FROM PUBLIC")
    run("GRANT CONNECT, TEMPORARY ON DATABASE {database} TO {hosts}")
    run("GRANT CONNECT ON DATABASE {database} TO {page}")
    run("REVOKE CREATE ON SCHEMA public FROM PUBLIC")
    run("GRANT USAGE ON SCHEMA watchkeeper TO {hosts}, {page}")
    run("REVOKE ALL ON ALL FUNCTIONS IN SCHEMA watchkeeper FROM PUBLIC")
    run("GRANT EXECUTE ON FUNCTION watchkeeper.own_host(), watchkeeper.maintain() TO {hosts}, {page}")
    run("GRANT EXECUTE ON FUNCTION watchkeeper.request_acknowledgement TO {page}")
    run("GRANT SELECT ON ALL TABLES IN SCHEMA watchkeeper TO {page}")
    run("GRANT SELECT ON watchkeeper.migrations, watchkeeper.hosts TO {hosts}")
    run(
        "GRANT UPDATE (installation, epoch, generation, cursor, seen_at_us, written_at_us, version)"
        " ON watchkeeper.hosts TO {hosts}"
    )
    run("GRANT SELECT, UPDATE (answered_at_us, answer) ON watchkeeper.requests TO {hosts}")
    for table in ("hosts", "requests", *TABLES):
        _secure(run, table, sql.Identifier("watchkeeper", table))


def _secure(run: Any, table: str, whole: object) -> None:  # noqa: ANN401  a function of grant()
    run("ALTER TABLE {whole} ENABLE ROW LEVEL SECURITY", whole=whole)
    run("DROP POLICY IF EXISTS own ON {whole}", whole=whole)
    run("DROP POLICY IF EXISTS page ON {whole}", whole=whole)
    # In a sub-select the function is called once for each statement, and not for each row.
    run(
        "CREATE POLICY own ON {whole} TO {hosts} USING (host = (SELECT watchkeeper.own_host()))"
        " WITH CHECK (host = (SELECT watchkeeper.own_host()))",
        whole=whole,
    )
    run("CREATE POLICY page ON {whole} FOR SELECT TO {page} USING (true)", whole=whole)
    if table in TABLES:
        run("GRANT SELECT, INSERT, UPDATE ON {whole} TO {hosts}", whole=whole)
    if table in _DELETED:
        run("GRANT DELETE ON {whole} TO {hosts}", whole=whole)


def add_host(conn: Any, name: str, *, new_password: bool = False) -> Login:  # noqa: ANN401  as above
    """Make the role and the row of a host. new_password: also where it has one."""
    sql = driver().sql
    role = role_of(name)
    login = _login(conn, name, role, new_password=new_password)
    conn.execute(sql.SQL("GRANT {} TO {}").format(sql.Identifier(HOSTS), sql.Identifier(role)))
    conn.execute(
        "INSERT INTO watchkeeper.hosts (name, role) VALUES (%s, %s) ON CONFLICT (name) DO NOTHING", (name, role)
    )
    return login


def page_login(conn: Any, *, new_password: bool = False) -> Login:  # noqa: ANN401  as above
    """Let the role of stations log in, with a password where it has none yet."""
    (logs_in,) = conn.execute("SELECT rolcanlogin FROM pg_roles WHERE rolname = %s", (PAGE,)).fetchone()
    return _login(conn, "page", PAGE, new_password=new_password or not logs_in)


def replace_installation(conn: Any, name: str) -> bool:  # noqa: ANN401  as above
    """Let another installation write under a host's name from now on. False where there is no such host."""
    changed = conn.execute(
        "UPDATE watchkeeper.hosts SET installation = NULL, epoch = '', generation = 0, cursor = '' WHERE name = %s",
        (name,),
    )
    return bool(changed.rowcount)


def _login(conn: Any, name: str, role: str, *, new_password: bool) -> Login:  # noqa: ANN401  as above
    sql = driver().sql
    there = _there(conn, role)
    if there and not new_password:
        return Login(name, role, "")
    password = secrets.token_urlsafe(24)
    conn.execute(
        sql.SQL("{} ROLE {} LOGIN INHERIT PASSWORD {}").format(
            sql.SQL("ALTER" if there else "CREATE"), sql.Identifier(role), sql.Literal(password)
        )
    )
    return Login(name, role, password)


def _there(conn: Any, role: str) -> bool:  # noqa: ANN401  as above
    return conn.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone() is not None
