-- What the first version that runs (commit ed7eb5f) wrote in ten seconds, as sqlite3 dumps it: a service that does not
-- answer, memory, an alert and a message that waits. tests/store/test_first_form.py makes a database of it.
BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'watchkeeper','0001 first tables','2026-11-25 12:59:56.627266+00:00');
CREATE TABLE alerts (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    concern TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (key, concern)
) STRICT;
INSERT INTO "alerts" VALUES(1,'["service hide-hub","answer"]','silent','{"key":{"subject":"service hide-hub","quantity":"answer"},"concern":"silent","state":"active","priority":2,"episode":1,"tellings":1,"raised_at":"2026-11-25T13:00:00.649488+00:00","changed_at":"2026-11-25T13:00:00.649488+00:00"}');
CREATE TABLE findings (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL,
    concern TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (key, concern)
) STRICT;
INSERT INTO "findings" VALUES(1,'["memory","in use"]','full','{"key":{"subject":"memory","quantity":"in use"},"concern":"full","at":"2026-11-25T13:00:04.649588+00:00","priority":null,"reason":"too few samples","forecast":{"at_s":1795611604.649588,"used":3961724928.0,"capacity":25276510208.0,"no_end":"too few samples","spread":0.0,"full":false,"steps":[],"bend":0.0}}');
INSERT INTO "findings" VALUES(2,'["memory","in use"]','stale','{"key":{"subject":"memory","quantity":"in use"},"concern":"stale","at":"2026-11-25T13:00:04.649588+00:00","priority":null,"ends_at":"2026-11-25T13:00:10.649588+00:00","reason":""}');
INSERT INTO "findings" VALUES(3,'["memory","kernel kills"]','unsound','{"key":{"subject":"memory","quantity":"kernel kills"},"concern":"unsound","at":"2026-11-25T13:00:04.649588+00:00","priority":null,"reason":""}');
INSERT INTO "findings" VALUES(4,'["memory","kernel kills"]','stale','{"key":{"subject":"memory","quantity":"kernel kills"},"concern":"stale","at":"2026-11-25T13:00:04.649588+00:00","priority":null,"ends_at":"2026-11-25T13:00:10.649588+00:00","reason":""}');
INSERT INTO "findings" VALUES(5,'["probe memory","runs"]','unsound','{"key":{"subject":"probe memory","quantity":"runs"},"concern":"unsound","at":"2026-11-25T12:59:56.690826+00:00","priority":null,"reason":""}');
INSERT INTO "findings" VALUES(6,'["probe memory","runs"]','stale','{"key":{"subject":"probe memory","quantity":"runs"},"concern":"stale","at":"2026-11-25T12:59:56.690826+00:00","priority":null,"ends_at":"2026-11-25T13:00:02.690826+00:00","reason":""}');
INSERT INTO "findings" VALUES(7,'["service hide-hub","answer"]','silent','{"key":{"subject":"service hide-hub","quantity":"answer"},"concern":"silent","at":"2026-11-25T13:00:04.650617+00:00","priority":2,"since":"2026-11-25T12:59:56.691654+00:00","reason":"connection refused"}');
INSERT INTO "findings" VALUES(8,'["service hide-hub","answer"]','stale','{"key":{"subject":"service hide-hub","quantity":"answer"},"concern":"stale","at":"2026-11-25T13:00:04.650617+00:00","priority":null,"ends_at":"2026-11-25T13:00:10.650617+00:00","reason":""}');
INSERT INTO "findings" VALUES(9,'["probe hide-hub","runs"]','unsound','{"key":{"subject":"probe hide-hub","quantity":"runs"},"concern":"unsound","at":"2026-11-25T12:59:56.691654+00:00","priority":null,"reason":""}');
INSERT INTO "findings" VALUES(10,'["probe hide-hub","runs"]','stale','{"key":{"subject":"probe hide-hub","quantity":"runs"},"concern":"stale","at":"2026-11-25T12:59:56.691654+00:00","priority":null,"ends_at":"2026-11-25T13:00:02.691654+00:00","reason":""}');
INSERT INTO "findings" VALUES(11,'["memory","pressure"]','unsound','{"key":{"subject":"memory","quantity":"pressure"},"concern":"unsound","at":"2026-11-25T13:00:04.649588+00:00","priority":null,"reason":""}');
INSERT INTO "findings" VALUES(12,'["memory","pressure"]','stale','{"key":{"subject":"memory","quantity":"pressure"},"concern":"stale","at":"2026-11-25T13:00:04.649588+00:00","priority":null,"ends_at":"2026-11-25T13:00:10.649588+00:00","reason":""}');
CREATE TABLE journal (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at_us INTEGER NOT NULL,
    entry TEXT NOT NULL,
    key TEXT,
    body TEXT NOT NULL
) STRICT;
INSERT INTO "journal" VALUES(1,1795611596637301,'start',NULL,'{"at":"2026-11-25T12:59:56.637301+00:00","entry":"start","text":"the watch began, with an empty database","details":{},"id":0}');
INSERT INTO "journal" VALUES(2,1795611600649488,'transition','["service hide-hub","answer"]','{"at":"2026-11-25T13:00:00.649488+00:00","entry":"transition","text":"service hide-hub silent for 4 s: connection refused","key":{"subject":"service hide-hub","quantity":"answer"},"concern":"silent","details":{"event":"raise","state":"active","episode":"1","priority":"warning"},"id":0}');
INSERT INTO "journal" VALUES(3,1795611600652906,'delivery','["service hide-hub","answer"]','{"at":"2026-11-25T13:00:00.652906+00:00","entry":"delivery","text":"not told yet by webhook: service hide-hub silent for 4 s: connection refused","key":{"subject":"service hide-hub","quantity":"answer"},"concern":"silent","details":{"notifier":"webhook","message":"484ccfd8-9d56-5bf7-96fc-23a8839550cc-1","tries":"1","trouble":"failed with AttributeError at webhook.py:130"},"id":0}');
INSERT INTO "journal" VALUES(4,1795611604747122,'stop',NULL,'{"at":"2026-11-25T13:00:04.747122+00:00","entry":"stop","text":"the watch ended","details":{},"id":0}');
CREATE TABLE latest (
    series INTEGER PRIMARY KEY REFERENCES series (id),
    at_us INTEGER NOT NULL,
    observation TEXT NOT NULL
) STRICT;
INSERT INTO "latest" VALUES(1,1795611604649588,'{"is":"Level","key":{"subject":"memory","quantity":"in use"},"used":3961724928,"capacity":25276510208,"unit":"bytes","facts":[["available","19.9 GiB"]]}');
INSERT INTO "latest" VALUES(2,1795611604649588,'{"is":"Condition","key":{"subject":"memory","quantity":"kernel kills"},"sound":true,"reason":"","grave":false,"facts":[["kills since the machine started","0"]]}');
INSERT INTO "latest" VALUES(3,1795611596690826,'{"is":"Condition","key":{"subject":"probe memory","quantity":"runs"},"sound":true,"reason":"","grave":false,"facts":[]}');
INSERT INTO "latest" VALUES(4,1795611604650617,'{"is":"Answer","key":{"subject":"service hide-hub","quantity":"answer"},"answered":false,"reason":"connection refused","phases":[],"facts":[["address","http://127.0.0.1:9/"]]}');
INSERT INTO "latest" VALUES(5,1795611596691654,'{"is":"Condition","key":{"subject":"probe hide-hub","quantity":"runs"},"sound":true,"reason":"","grave":false,"facts":[]}');
INSERT INTO "latest" VALUES(6,1795611604649588,'{"is":"Condition","key":{"subject":"memory","quantity":"pressure"},"sound":true,"reason":"","grave":false,"facts":[["tasks waiting for memory, some","0.0%"],["tasks waiting for memory, full","0.0%"],["tasks waiting for io, some","0.0%"],["tasks waiting for io, full","0.0%"],["tasks waiting for cpu, some","0.9%"],["tasks waiting for cpu, full","0.0%"]]}');
CREATE TABLE life (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    alive_at_us INTEGER NOT NULL
) STRICT;
INSERT INTO "life" VALUES(1,1795611604747122);
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
INSERT INTO "outbox" VALUES(1,'"webhook"','"484ccfd8-9d56-5bf7-96fc-23a8839550cc"','waiting',1,1795611609740023,1795611600649488,NULL,1,'"failed with AttributeError at webhook.py:130"','{"id":"484ccfd8-9d56-5bf7-96fc-23a8839550cc-1","thread":"484ccfd8-9d56-5bf7-96fc-23a8839550cc","number":1,"host":"gannet","telling":"raised","key":{"subject":"service hide-hub","quantity":"answer"},"concern":"silent","state":"active","priority":2,"before":null,"at":"2026-11-25T13:00:00.649488+00:00","since":"2026-11-25T12:59:56.691654+00:00","earliest_at":null,"likely_at":null,"latest_at":null,"headline":"service hide-hub silent for 4 s: connection refused","body":"Warning on gannet: service hide-hub silent for 4 s: connection refused.\n\nNo right answer since Wed 25 Nov 12:59.\n\nSeen with it:\n  address: http://127.0.0.1:9/\n\nWhat to look at: See whether its guest runs and whether others on the\nsame guest or network answer. If they are silent too, look there first.\n\nTimes are UTC.\n","trial":false}');
CREATE TABLE samples (
    series INTEGER NOT NULL REFERENCES series (id),
    at_ms INTEGER NOT NULL,
    value REAL,
    bound REAL,
    PRIMARY KEY (series, at_ms)
) STRICT, WITHOUT ROWID;
INSERT INTO "samples" VALUES(1,1795611596690,4270243840.0,25276510208.0);
INSERT INTO "samples" VALUES(1,1795611598649,3985993728.0,25276510208.0);
INSERT INTO "samples" VALUES(1,1795611600648,3974803456.0,25276510208.0);
INSERT INTO "samples" VALUES(1,1795611602648,3964080128.0,25276510208.0);
INSERT INTO "samples" VALUES(1,1795611604649,3961724928.0,25276510208.0);
INSERT INTO "samples" VALUES(2,1795611596690,1.0,NULL);
INSERT INTO "samples" VALUES(2,1795611598649,1.0,NULL);
INSERT INTO "samples" VALUES(2,1795611600648,1.0,NULL);
INSERT INTO "samples" VALUES(2,1795611602648,1.0,NULL);
INSERT INTO "samples" VALUES(2,1795611604649,1.0,NULL);
INSERT INTO "samples" VALUES(3,1795611596690,1.0,NULL);
INSERT INTO "samples" VALUES(4,1795611596691,NULL,NULL);
INSERT INTO "samples" VALUES(4,1795611598650,NULL,NULL);
INSERT INTO "samples" VALUES(4,1795611600649,NULL,NULL);
INSERT INTO "samples" VALUES(4,1795611602649,NULL,NULL);
INSERT INTO "samples" VALUES(4,1795611604650,NULL,NULL);
INSERT INTO "samples" VALUES(5,1795611596691,1.0,NULL);
INSERT INTO "samples" VALUES(6,1795611598649,1.0,NULL);
INSERT INTO "samples" VALUES(6,1795611600648,1.0,NULL);
INSERT INTO "samples" VALUES(6,1795611602648,1.0,NULL);
INSERT INTO "samples" VALUES(6,1795611604649,1.0,NULL);
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,
    unit TEXT,
    probe TEXT NOT NULL,
    interval_s REAL NOT NULL,
    first_at_us INTEGER NOT NULL
) STRICT;
INSERT INTO "series" VALUES(1,'["memory","in use"]','level','bytes','memory',2.0,1795611596690826);
INSERT INTO "series" VALUES(2,'["memory","kernel kills"]','condition',NULL,'memory',2.0,1795611596690826);
INSERT INTO "series" VALUES(3,'["probe memory","runs"]','condition',NULL,'memory',2.0,1795611596690826);
INSERT INTO "series" VALUES(4,'["service hide-hub","answer"]','answer',NULL,'hide-hub',2.0,1795611596691654);
INSERT INTO "series" VALUES(5,'["probe hide-hub","runs"]','condition',NULL,'hide-hub',2.0,1795611596691654);
INSERT INTO "series" VALUES(6,'["memory","pressure"]','condition',NULL,'memory',2.0,1795611598649941);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX journal_at ON journal (at_us);
CREATE INDEX journal_entry ON journal (entry);
CREATE INDEX journal_key ON journal (key) WHERE key IS NOT NULL;
CREATE TRIGGER journal_keeps_lines BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is deleted'); END;
CREATE TRIGGER journal_keeps_text BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no line is changed'); END;
CREATE INDEX outbox_next ON outbox (notifier, due_at_us) WHERE head = 1;
CREATE INDEX outbox_thread ON outbox (notifier, thread, head) WHERE state = 'waiting';
CREATE INDEX outbox_open ON outbox (id) WHERE state <> 'delivered';
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('journal',4);
INSERT INTO "sqlite_sequence" VALUES('outbox',1);
COMMIT;
