"""The tables, how they came to be (migrations), and the check that a file is a database of ours.

A migration is never edited once a version with it is out: a change of the tables is a new migration at the end, with
its number as the new VERSION. Each runs in one transaction with the record of it, through sqlite-utils' Migrations.
What may live here: the form of the tables. Not here: rows (writing.py, reading.py).
"""

import json
import sqlite3
from pathlib import Path

from sqlite_utils import Database, Migrations

from watchkeeper.errors import StoreDamaged, StoreTooNew
from watchkeeper.store import sealing

APPLICATION_ID = 0x574B5052
"""`WKPR`, in the header of every database of ours, so that another program's file is not taken for one."""

VERSION = 3
"""The number of the newest migration; kept in the file as user_version."""

MIGRATIONS = Migrations("watchkeeper")

_VERSION_1 = """
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    unit TEXT,
    probe TEXT NOT NULL,
    interval_s REAL NOT NULL,
    first_at_us INTEGER NOT NULL
) STRICT;

-- A small integer for the series and the time as the key, and no rowid: a series' samples lie side by side, and a
-- REAL column stores a whole number (bytes, inodes, 0 and 1) as an integer of the least size. Measured with
-- tests/bench/store.py, for levels of about 1 TB in bytes: 24 bytes a sample in its row, 30 with the page's own share.
-- No REFERENCES: the number comes from the series' own row, written or read in the same transaction, and looking it up
-- once more for every sample of every year cost a tenth of the whole insert.
CREATE TABLE samples (
    series INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    value REAL,
    bound REAL,
    PRIMARY KEY (series, at_ms)
) STRICT, WITHOUT ROWID;

-- Roll-ups: what the samples of an hour, and later of a day, come to once the samples themselves are let go. stretch
-- counts hours, or days, since 1970; last_ms is the newest sample's place in its stretch. A total instead of a mean: it
-- is whole where the samples are (so 6 bytes and not 8), and totals add up exactly when more samples come. Measured as
-- above: 48 bytes an hour in its row.
CREATE TABLE hours (
    series INTEGER NOT NULL,
    stretch INTEGER NOT NULL,
    samples INTEGER NOT NULL,
    without INTEGER NOT NULL,
    least REAL,
    total REAL,
    most REAL,
    last_ms INTEGER NOT NULL,
    last REAL,
    bound REAL,
    PRIMARY KEY (series, stretch)
) STRICT, WITHOUT ROWID;
CREATE TABLE days (
    series INTEGER NOT NULL,
    stretch INTEGER NOT NULL,
    samples INTEGER NOT NULL,
    without INTEGER NOT NULL,
    least REAL,
    total REAL,
    most REAL,
    last_ms INTEGER NOT NULL,
    last REAL,
    bound REAL,
    PRIMARY KEY (series, stretch)
) STRICT, WITHOUT ROWID;

CREATE TABLE latest (
    series INTEGER PRIMARY KEY REFERENCES series (id),
    at_us INTEGER NOT NULL,
    observation TEXT NOT NULL
) STRICT;

-- Findings and alerts are found by the key itself: one may be written about a series that has no sample yet.
CREATE TABLE findings (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    concern TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (key, concern)
) STRICT;

CREATE TABLE alerts (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    concern TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (key, concern)
) STRICT;

-- journal_from_us: journal lines from before may be let go; the time that the configuration keeps them is over.
CREATE TABLE life (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    alive_at_us INTEGER NOT NULL,
    journal_from_us INTEGER NOT NULL DEFAULT 0
) STRICT;

-- AUTOINCREMENT: an id is never used twice, so that whoever follows the journal misses nothing.
CREATE TABLE journal (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_us INTEGER NOT NULL,
    entry TEXT NOT NULL,
    key TEXT,
    body TEXT NOT NULL
) STRICT;
CREATE INDEX journal_at ON journal (at_us);
CREATE INDEX journal_entry ON journal (entry);
CREATE INDEX journal_key ON journal (key) WHERE key IS NOT NULL;
CREATE TRIGGER journal_keeps_lines BEFORE DELETE ON journal
WHEN OLD.at_us >= coalesce((SELECT journal_from_us FROM life), 0)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is deleted'); END;
CREATE TRIGGER journal_keeps_text BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is changed'); END;
-- INSERT OR REPLACE fires no delete trigger unless recursive triggers are on, which is the connection's choice.
CREATE TRIGGER journal_keeps_ids BEFORE INSERT ON journal
WHEN EXISTS (SELECT 1 FROM journal WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is replaced'); END;

-- head: 1 for the waiting parcel that is first in its thread, so that finding the next one is a single seek.
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    notifier TEXT NOT NULL,
    thread TEXT NOT NULL,
    state TEXT NOT NULL,
    head INTEGER NOT NULL CHECK (head IN (0, 1)),
    due_at_us INTEGER NOT NULL,
    made_at_us INTEGER NOT NULL,
    done_at_us INTEGER,
    tries INTEGER NOT NULL,
    trouble TEXT NOT NULL,
    message TEXT NOT NULL
) STRICT;
CREATE INDEX outbox_next ON outbox (notifier, due_at_us) WHERE head = 1;
CREATE INDEX outbox_thread ON outbox (notifier, thread, head) WHERE state = 'waiting';
CREATE INDEX outbox_open ON outbox (id) WHERE state <> 'delivered';
CREATE INDEX outbox_done ON outbox (done_at_us) WHERE state = 'delivered';

CREATE TABLE notes (
    owner TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- The newest check-in of each sort of every job.
CREATE TABLE check_ins (
    job TEXT NOT NULL,
    failed INTEGER NOT NULL CHECK (failed IN (0, 1)),
    at_us INTEGER NOT NULL,
    said TEXT NOT NULL,
    PRIMARY KEY (job, failed)
) STRICT, WITHOUT ROWID;
"""

TABLES = frozenset(
    {
        *("series", "samples", "hours", "days", "latest", "findings", "alerts"),
        *("life", "journal", "outbox", "notes", "check_ins", "quarantine"),
    }
)
"""The tables of the newest version; a database of ours that lacks one is damaged."""


@MIGRATIONS(name="0001 first tables")
def _first_tables(db: Database) -> None:
    _run(db.conn, _VERSION_1)
    db.conn.execute("PRAGMA user_version = 1")


# Version 1 was changed in place until roll-ups came: a database from before says 1 and lacks what came with them.
_WHAT_CAME_WITH_ROLL_UPS = """
CREATE TABLE IF NOT EXISTS hours (
    series INTEGER NOT NULL,
    stretch INTEGER NOT NULL,
    samples INTEGER NOT NULL,
    without INTEGER NOT NULL,
    least REAL,
    total REAL,
    most REAL,
    last_ms INTEGER NOT NULL,
    last REAL,
    bound REAL,
    PRIMARY KEY (series, stretch)
) STRICT, WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS days (
    series INTEGER NOT NULL,
    stretch INTEGER NOT NULL,
    samples INTEGER NOT NULL,
    without INTEGER NOT NULL,
    least REAL,
    total REAL,
    most REAL,
    last_ms INTEGER NOT NULL,
    last REAL,
    bound REAL,
    PRIMARY KEY (series, stretch)
) STRICT, WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS notes (
    owner TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS check_ins (
    job TEXT NOT NULL,
    failed INTEGER NOT NULL CHECK (failed IN (0, 1)),
    at_us INTEGER NOT NULL,
    said TEXT NOT NULL,
    PRIMARY KEY (job, failed)
) STRICT, WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS outbox_done ON outbox (done_at_us) WHERE state = 'delivered';
CREATE TRIGGER IF NOT EXISTS journal_keeps_ids BEFORE INSERT ON journal
WHEN EXISTS (SELECT 1 FROM journal WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is replaced'); END;
"""

_WHAT_ROLL_UPS_CHANGED = """
ALTER TABLE life ADD COLUMN journal_from_us INTEGER NOT NULL DEFAULT 0;
DROP TRIGGER journal_keeps_lines;
CREATE TRIGGER journal_keeps_lines BEFORE DELETE ON journal
WHEN OLD.at_us >= coalesce((SELECT journal_from_us FROM life), 0)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is deleted'); END;
CREATE TABLE samples_alone (
    series INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    value REAL,
    bound REAL,
    PRIMARY KEY (series, at_ms)
) STRICT, WITHOUT ROWID;
INSERT INTO samples_alone SELECT series, at_ms, value, bound FROM samples;
DROP TABLE samples;
ALTER TABLE samples_alone RENAME TO samples;
"""

# Which priority was told last is noted since alerts can be kept back. Before, each change was told as it came.
_WHAT_WAS_TOLD = """
UPDATE alerts SET body = json_set(body, '$.told', json_extract(body, '$.priority'))
WHERE json_extract(body, '$.state') IN ('active', 'acknowledged') AND json_extract(body, '$.tellings') > 0
AND json_type(body, '$.told') IS NULL;
"""


@MIGRATIONS(name="0002 what the first form lacked")
def _what_the_first_form_lacked(db: Database) -> None:
    """A database that has it all is only given the number."""
    _run(db.conn, _WHAT_CAME_WITH_ROLL_UPS)
    columns = {name for (name,) in db.conn.execute("SELECT name FROM pragma_table_info('life')")}
    if "journal_from_us" not in columns:
        _run(db.conn, _WHAT_ROLL_UPS_CHANGED)
        _run(db.conn, _WHAT_WAS_TOLD)
        names = db.conn.execute("SELECT id, probe FROM series").fetchall()
        # Names of probes were written as they are before they were JSON texts, as all that a name may hold needs it.
        plain = [(json.dumps(name), number) for number, name in names if not name.startswith('"')]
        db.conn.executemany("UPDATE series SET probe = ? WHERE id = ?", plain)
    db.conn.execute("PRAGMA user_version = 2")


# crc: the checksum of the row (rows.py); NULL is damage. quarantine: rows that could not be read, moved out of their
# table. row: what the row was found by, as text. about: what it was, for people. content: its values as JSON.
_CHECKSUMS = """
ALTER TABLE series ADD COLUMN crc INTEGER;
ALTER TABLE latest ADD COLUMN crc INTEGER;
ALTER TABLE findings ADD COLUMN crc INTEGER;
ALTER TABLE alerts ADD COLUMN crc INTEGER;
ALTER TABLE life ADD COLUMN crc INTEGER;
ALTER TABLE journal ADD COLUMN crc INTEGER;
ALTER TABLE outbox ADD COLUMN crc INTEGER;
ALTER TABLE notes ADD COLUMN crc INTEGER;
ALTER TABLE check_ins ADD COLUMN crc INTEGER;
CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY,
    source TEXT NOT NULL,
    row TEXT NOT NULL,
    found_at_us INTEGER NOT NULL,
    why TEXT NOT NULL,
    about TEXT NOT NULL,
    content TEXT NOT NULL
) STRICT;
CREATE INDEX quarantine_row ON quarantine (source, row);
DROP TRIGGER journal_keeps_lines;
DROP TRIGGER journal_keeps_text;
DROP TRIGGER journal_keeps_ids;
"""

# A line that cannot be read may leave the journal when its copy is in quarantine. No id is used twice, so that allows
# nothing else.
_JOURNAL_TRIGGERS = """
CREATE TRIGGER journal_keeps_lines BEFORE DELETE ON journal
WHEN OLD.at_us >= coalesce((SELECT journal_from_us FROM life), 0)
AND NOT EXISTS (SELECT 1 FROM quarantine WHERE source = 'journal' AND row = CAST(OLD.id AS TEXT))
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is deleted'); END;
CREATE TRIGGER journal_keeps_text BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is changed'); END;
CREATE TRIGGER journal_keeps_ids BEFORE INSERT ON journal
WHEN EXISTS (SELECT 1 FROM journal WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is replaced'); END;
"""


@MIGRATIONS(name="0003 checksums")
def _checksums(db: Database) -> None:
    """Every row that can be read gets its checksum. One that cannot gets none, and is then found as damaged."""
    _run(db.conn, _CHECKSUMS)
    sealing.seal(db.conn)
    _run(db.conn, _JOURNAL_TRIGGERS)
    db.conn.execute("PRAGMA user_version = 3")


def _run(conn: sqlite3.Connection, script: str) -> None:
    """Run statements one by one: executescript() would commit the migration's transaction before it began."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            conn.execute(statement)
            statement = ""


def prepare_empty(conn: sqlite3.Connection) -> None:
    """Give an empty file what must be there before the first table, and the mark that it is ours."""
    conn.execute("PRAGMA auto_vacuum = INCREMENTAL")
    conn.execute(f"PRAGMA application_id = {APPLICATION_ID}")


def migrate(conn: sqlite3.Connection, migrations: Migrations = MIGRATIONS) -> None:
    """Bring the tables to the newest version. `conn` is in autocommit mode, and nobody else writes."""
    migrations.apply(Database(conn, execute_plugins=False))


def is_empty(conn: sqlite3.Connection) -> bool:
    """True for a file without any table and without another program's mark. Raises sqlite3's error for no database."""
    (count,) = conn.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    return count == 0 and _pragma(conn, "application_id") in (0, APPLICATION_ID)


def check_ours(conn: sqlite3.Connection, path: Path) -> int:
    """The version of a file that is not empty. Raises StoreDamaged where it is not ours, StoreTooNew where it is newer.

    Cheap: it reads the header only.
    """
    if _pragma(conn, "application_id") != APPLICATION_ID:
        raise StoreDamaged(f"{path} is not a database of watchkeeper: name another file, or move this one away")
    version = _pragma(conn, "user_version")
    if version > VERSION:
        raise StoreTooNew(
            f"{path} has the form {version} of a later version of watchkeeper, and this one knows up to {VERSION}: "
            "install that version again, or restore a backup made before it"
        )
    return version


def check_tables(conn: sqlite3.Connection, path: Path) -> None:
    """Raises StoreDamaged where a table is missing."""
    found = {name for (name,) in conn.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    if missing := sorted(TABLES - found):
        raise StoreDamaged(f"{path} lacks its tables {', '.join(missing)}: restore a backup, or move it aside")


def _pragma(conn: sqlite3.Connection, name: str) -> int:
    (value,) = conn.execute(f"PRAGMA {name}").fetchone()
    return int(value)
