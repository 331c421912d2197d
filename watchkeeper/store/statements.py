"""The SQL of the migrations, in order. Never edited once a version with it is out.

Not here: running it, and the record of what was run (schema.py).
"""

VERSION_1 = """
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

-- Roll-ups: what the samples of an hour, and later of a day, come to once the samples themselves are deleted. stretch
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

-- journal_from_us: journal lines from before may be deleted; the time that the configuration keeps them is over.
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

# Version 1 was changed in place until roll-ups were added: an earlier database says 1 and lacks what came with them.
WHAT_CAME_WITH_ROLL_UPS = """
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

WHAT_ROLL_UPS_CHANGED = """
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

# The last notified priority is recorded since alerts can be held back. Before, each change was notified at once.
WHAT_WAS_TOLD = """
UPDATE alerts SET body = json_set(body, '$.told', json_extract(body, '$.priority'))
WHERE json_extract(body, '$.state') IN ('active', 'acknowledged') AND json_extract(body, '$.tellings') > 0
AND json_type(body, '$.told') IS NULL;
"""

# crc: the checksum of the row (checked_rows.py); NULL is damage. quarantine: rows that could not be read, moved out of
# their table. row: what the row was found by, as text. about: what it was, for people. content: its values as JSON.
CHECKSUMS = """
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

# A line that cannot be read may be deleted from the event log when its copy is in quarantine. No id is used twice, so
# that permits nothing else.
JOURNAL_TRIGGERS = """
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

# Version 4: the triggers name the tables that it renames.
JOURNAL_OPEN = """
DROP TRIGGER journal_keeps_lines;
DROP TRIGGER journal_keeps_text;
DROP TRIGGER journal_keeps_ids;
"""

# store_state: one row. last_commit_at_us: the newest commit. events_from_us: lines of the event log from before may be
# deleted, because the time for which the configuration keeps them is over.
PLAIN_NAMES = """
ALTER TABLE life RENAME TO store_state;
ALTER TABLE store_state RENAME COLUMN alive_at_us TO last_commit_at_us;
ALTER TABLE store_state RENAME COLUMN journal_from_us TO events_from_us;
ALTER TABLE notes RENAME TO probe_states;
ALTER TABLE probe_states RENAME COLUMN body TO state;
ALTER TABLE check_ins RENAME TO job_reports;
ALTER TABLE job_reports RENAME COLUMN said TO message;
ALTER TABLE outbox RENAME COLUMN tries TO attempts;
ALTER TABLE outbox RENAME COLUMN trouble TO error;
DROP INDEX journal_at;
DROP INDEX journal_entry;
DROP INDEX journal_key;
ALTER TABLE journal RENAME TO events;
CREATE INDEX events_at ON events (at_us);
CREATE INDEX events_entry ON events (entry);
CREATE INDEX events_key ON events (key) WHERE key IS NOT NULL;
"""

EVENT_TRIGGERS = """
CREATE TRIGGER events_keep_lines BEFORE DELETE ON events
WHEN OLD.at_us >= coalesce((SELECT events_from_us FROM store_state), 0)
AND NOT EXISTS (SELECT 1 FROM quarantine WHERE source = 'events' AND row = CAST(OLD.id AS TEXT))
BEGIN SELECT RAISE(ABORT, 'the event log is append-only: no line is deleted'); END;
CREATE TRIGGER events_keep_text BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'the event log is append-only: no line is changed'); END;
CREATE TRIGGER events_keep_ids BEFORE INSERT ON events
WHEN EXISTS (SELECT 1 FROM events WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'the event log is append-only: no line is replaced'); END;
"""

# Version 5: the event log takes changes while its rows are rewritten.
EVENTS_OPEN = """
DROP TRIGGER events_keep_lines;
DROP TRIGGER events_keep_text;
DROP TRIGGER events_keep_ids;
"""

QUARANTINE_SOURCES = """
UPDATE quarantine SET source = CASE source WHEN 'journal' THEN 'events' WHEN 'life' THEN 'store_state'
WHEN 'notes' THEN 'probe_states' WHEN 'check_ins' THEN 'job_reports' ELSE source END;
"""

# Version 6: the forecasts that were shown, each with its outcome once that is known; see store/rows/forecast_rows.py.
FORECASTS = """
CREATE TABLE forecasts (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    body TEXT NOT NULL,
    crc INTEGER,
    UNIQUE (key, at_us)
) STRICT;
CREATE INDEX forecasts_at ON forecasts (at_us);
"""

# Version 7: why something was or was not sent; see store/history/decision_rows.py.
DECISIONS = """
CREATE TABLE decisions (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    body TEXT NOT NULL,
    crc INTEGER
) STRICT;
CREATE INDEX decisions_key ON decisions (key);
CREATE INDEX decisions_at ON decisions (at_us);
"""

# Version 8: what changed on the host; see store/history/change_rows.py.
CHANGES = """
CREATE TABLE changes (
    id INTEGER PRIMARY KEY,
    at_us INTEGER NOT NULL,
    body TEXT NOT NULL,
    crc INTEGER,
    UNIQUE (at_us, body)
) STRICT;
"""

# Version 9: outages of services; see store/history/outage_rows.py. down_ms: 0 as long as the samples are not rolled up.
OUTAGES = """
CREATE TABLE outages (
    id INTEGER PRIMARY KEY,
    series INTEGER NOT NULL,
    begin_ms INTEGER NOT NULL,
    end_ms INTEGER,
    down_ms INTEGER NOT NULL,
    reason TEXT NOT NULL,
    crc INTEGER,
    UNIQUE (series, begin_ms)
) STRICT;
"""
