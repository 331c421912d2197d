-- What version 0.1.0 (form 2) wrote through its store, as sqlite3 dumps it: samples, some of them rolled up, alerts,
-- messages, notes and a check-in of the field station. tests/store/older.py makes a database of it.
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'watchkeeper','0001 first tables','2026-11-30 12:52:53.904736+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'watchkeeper','0002 what the first form lacked','2026-11-30 12:52:53.918385+00:00');
CREATE TABLE alerts (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    concern TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (key, concern)
) STRICT;
INSERT INTO "alerts" VALUES(1,'["pool skerry","space"]','full','{"key":{"subject":"pool skerry","quantity":"space"},"concern":"full","state":"active","priority":2,"episode":3,"tellings":0,"raised_at":"2026-03-01T06:30:00+00:00","shelved_once":false,"escalated":false,"falls":[],"comings":0}');
CREATE TABLE check_ins (
    job TEXT NOT NULL,
    failed INTEGER NOT NULL CHECK (failed IN (0, 1)),
    at_us INTEGER NOT NULL,
    said TEXT NOT NULL,
    PRIMARY KEY (job, failed)
) STRICT, WITHOUT ROWID;
INSERT INTO "check_ins" VALUES('"nightly-backup"',0,1772346600000000,'"all copied"');
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
CREATE TABLE findings (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    concern TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (key, concern)
) STRICT;
INSERT INTO "findings" VALUES(1,'["pool skerry","space"]','full','{"key":{"subject":"pool skerry","quantity":"space"},"concern":"full","at":"2026-03-01T06:33:00+00:00","priority":2,"reason":""}');
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
INSERT INTO "hours" VALUES(1,492318,30,0,0.0,435.0,29.0,3540000,29.0,1000.0);
INSERT INTO "hours" VALUES(2,492318,1,1,NULL,NULL,NULL,1800000,NULL,NULL);
INSERT INTO "hours" VALUES(3,492318,1,0,1.0,1.0,1.0,1800000,1.0,NULL);
INSERT INTO "hours" VALUES(4,492318,1,0,1772433000.0,1772433000.0,1772433000.0,1800000,1772433000.0,NULL);
CREATE TABLE journal (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_us INTEGER NOT NULL,
    entry TEXT NOT NULL,
    key TEXT,
    body TEXT NOT NULL
) STRICT;
INSERT INTO "journal" VALUES(1,1772346660000000,'transition','["pool skerry","space"]','{"at":"2026-03-01T06:31:00+00:00","entry":"transition","text":"episode 1","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","details":{"event":"raise"},"id":0}');
INSERT INTO "journal" VALUES(2,1772346720000000,'transition','["pool skerry","space"]','{"at":"2026-03-01T06:32:00+00:00","entry":"transition","text":"episode 2","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","details":{"event":"raise"},"id":0}');
INSERT INTO "journal" VALUES(3,1772346780000000,'transition','["pool skerry","space"]','{"at":"2026-03-01T06:33:00+00:00","entry":"transition","text":"episode 3","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","details":{"event":"raise"},"id":0}');
INSERT INTO "journal" VALUES(4,1772346600000000,'transition','["pool skerry","space"]','{"at":"2026-03-01T06:30:00+00:00","entry":"transition","text":"gr\u00fc\u00dfe: the pool \ud83e\udd89","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","details":{"event":"raise"},"id":0}');
INSERT INTO "journal" VALUES(5,1772346600000000,'transition','["pool skerry","space"]','{"at":"2026-03-01T06:30:00+00:00","entry":"transition","text":"told by mail","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","details":{"event":"raise"},"id":0}');
CREATE TABLE latest (
    series INTEGER PRIMARY KEY REFERENCES series (id),
    at_us INTEGER NOT NULL,
    observation TEXT NOT NULL
) STRICT;
INSERT INTO "latest" VALUES(1,1772346780000000,'{"is":"Level","key":{"subject":"pool skerry","quantity":"space"},"used":3.0,"capacity":1000.0,"unit":"bytes","facts":[],"may_be_full":false}');
INSERT INTO "latest" VALUES(2,1772346600000000,'{"is":"Answer","key":{"subject":"service hide-hub","quantity":"answer"},"answered":false,"reason":"no answer","phases":[],"facts":[]}');
INSERT INTO "latest" VALUES(3,1772346600000000,'{"is":"Condition","key":{"subject":"probe pools","quantity":"runs"},"sound":true,"reason":"","grave":false,"facts":[]}');
INSERT INTO "latest" VALUES(4,1772346600000000,'{"is":"Deadline","key":{"subject":"snapshots of skerry","quantity":"age of the newest"},"due_at":"2026-03-02T06:30:00+00:00","last_at":"2026-03-01T06:30:00+00:00","facts":[]}');
CREATE TABLE life (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    alive_at_us INTEGER NOT NULL,
    journal_from_us INTEGER NOT NULL DEFAULT 0
) STRICT;
INSERT INTO "life" VALUES(1,1772346600000000,0);
CREATE TABLE notes (
    owner TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO "notes" VALUES('"returned"','"guests: tide-log"');
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
INSERT INTO "outbox" VALUES(1,'"mail"','"skerry-1"','delivered',0,1772346660000000,1772346600000000,1772350200000000,1,'""','{"id":"skerry-1-1","thread":"skerry-1","number":1,"host":"gannet","telling":"raised","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","state":"active","priority":2,"before":null,"at":"2026-03-01T06:30:00+00:00","since":null,"earliest_at":"2026-03-02T06:30:00+00:00","likely_at":"2026-03-03T06:30:00+00:00","latest_at":null,"headline":"pool skerry is full in 2 days","body":"Look at the guests'' disks.","trial":false,"late":false,"link":""}');
INSERT INTO "outbox" VALUES(2,'"mail"','"skerry-2"','waiting',1,1772346720000000,1772346600000000,NULL,0,'""','{"id":"skerry-2-1","thread":"skerry-2","number":1,"host":"gannet","telling":"raised","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","state":"active","priority":2,"before":null,"at":"2026-03-01T06:30:00+00:00","since":null,"earliest_at":"2026-03-02T06:30:00+00:00","likely_at":"2026-03-03T06:30:00+00:00","latest_at":null,"headline":"pool skerry is full in 2 days","body":"Look at the guests'' disks.","trial":false,"late":false,"link":""}');
INSERT INTO "outbox" VALUES(3,'"mail"','"skerry-3"','waiting',1,1772346780000000,1772346600000000,NULL,0,'""','{"id":"skerry-3-1","thread":"skerry-3","number":1,"host":"gannet","telling":"raised","key":{"subject":"pool skerry","quantity":"space"},"concern":"full","state":"active","priority":2,"before":null,"at":"2026-03-01T06:30:00+00:00","since":null,"earliest_at":"2026-03-02T06:30:00+00:00","likely_at":"2026-03-03T06:30:00+00:00","latest_at":null,"headline":"pool skerry is full in 2 days","body":"Look at the guests'' disks.","trial":false,"late":false,"link":""}');
CREATE TABLE samples (
    series INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    value REAL,
    bound REAL,
    PRIMARY KEY (series, at_ms)
) STRICT, WITHOUT ROWID;
INSERT INTO "samples" VALUES(1,1772348400000,30.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348460000,31.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348520000,32.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348580000,33.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348640000,34.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348700000,35.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348760000,36.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348820000,37.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348880000,38.0,1000.0);
INSERT INTO "samples" VALUES(1,1772348940000,39.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349000000,40.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349060000,41.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349120000,42.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349180000,43.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349240000,44.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349300000,45.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349360000,46.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349420000,47.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349480000,48.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349540000,49.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349600000,50.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349660000,51.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349720000,52.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349780000,53.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349840000,54.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349900000,55.0,1000.0);
INSERT INTO "samples" VALUES(1,1772349960000,56.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350020000,57.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350080000,58.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350140000,59.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350200000,60.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350260000,61.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350320000,62.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350380000,63.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350440000,64.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350500000,65.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350560000,66.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350620000,67.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350680000,68.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350740000,69.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350800000,70.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350860000,71.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350920000,72.0,1000.0);
INSERT INTO "samples" VALUES(1,1772350980000,73.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351040000,74.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351100000,75.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351160000,76.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351220000,77.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351280000,78.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351340000,79.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351400000,80.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351460000,81.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351520000,82.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351580000,83.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351640000,84.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351700000,85.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351760000,86.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351820000,87.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351880000,88.0,1000.0);
INSERT INTO "samples" VALUES(1,1772351940000,89.0,1000.0);
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    unit TEXT,
    probe TEXT NOT NULL,
    interval_s REAL NOT NULL,
    first_at_us INTEGER NOT NULL
) STRICT;
INSERT INTO "series" VALUES(1,'["pool skerry","space"]','level','bytes','"pools"',60.0,1772346600000000);
INSERT INTO "series" VALUES(2,'["service hide-hub","answer"]','answer',NULL,'"hide-hub"',30.0,1772346600000000);
INSERT INTO "series" VALUES(3,'["probe pools","runs"]','condition',NULL,'"pools"',60.0,1772346600000000);
INSERT INTO "series" VALUES(4,'["snapshots of skerry","age of the newest"]','deadline',NULL,'"snapshots"',600.0,1772346600000000);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX journal_at ON journal (at_us);
CREATE INDEX journal_entry ON journal (entry);
CREATE INDEX journal_key ON journal (key) WHERE key IS NOT NULL;
CREATE TRIGGER journal_keeps_lines BEFORE DELETE ON journal
WHEN OLD.at_us >= coalesce((SELECT journal_from_us FROM life), 0)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is deleted'); END;
CREATE TRIGGER journal_keeps_text BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is changed'); END;
CREATE TRIGGER journal_keeps_ids BEFORE INSERT ON journal
WHEN EXISTS (SELECT 1 FROM journal WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is replaced'); END;
CREATE INDEX outbox_next ON outbox (notifier, due_at_us) WHERE head = 1;
CREATE INDEX outbox_thread ON outbox (notifier, thread, head) WHERE state = 'waiting';
CREATE INDEX outbox_open ON outbox (id) WHERE state <> 'delivered';
CREATE INDEX outbox_done ON outbox (done_at_us) WHERE state = 'delivered';
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('journal',5);
INSERT INTO "sqlite_sequence" VALUES('outbox',3);
COMMIT;
