"""The archive's tables and functions, as numbered migrations. One that only adds lets earlier programs go on: each says
from which version on they do.

Every key begins with the host, so that a query of one host reads its rows only, and the tables can be distributed by
it. Samples are partitioned by time; `maintain()` makes the partitions ahead, and at the end of their time adds them up
to hours and drops them. Any host may call it: it runs with the owner's rights, once at a time. Not here: roles
(rights.py), and what a host writes (shipping.py).
"""

from dataclasses import dataclass
from typing import Any

from watchkeeper.archive.driver import driver
from watchkeeper.errors import ArchiveRefused

SCHEMA = "watchkeeper"

NOW_US = "(extract(epoch FROM clock_timestamp()) * 1000000)::bigint"
"""Now, by the clock of the server: those of hosts may be wrong."""

_FIRST = """
CREATE TABLE watchkeeper.hosts (
    host integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name text NOT NULL UNIQUE,
    role text NOT NULL UNIQUE,
    installation text,
    epoch text NOT NULL DEFAULT '',
    generation bigint NOT NULL DEFAULT 0,
    cursor text NOT NULL DEFAULT '',
    seen_at_us bigint NOT NULL DEFAULT 0,
    written_at_us bigint NOT NULL DEFAULT 0,
    version text NOT NULL DEFAULT ''
);

-- A host may be replaced only by the archive's owner: a second host of the same name is not taken for the first.
CREATE FUNCTION watchkeeper.keep_installation() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.installation IS NOT NULL AND NEW.installation IS DISTINCT FROM OLD.installation
        AND NOT pg_has_role(current_user, (SELECT relowner FROM pg_class WHERE oid = TG_RELID), 'MEMBER')
    THEN RAISE EXCEPTION 'the host % has another installation', OLD.name; END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER keep_installation BEFORE UPDATE ON watchkeeper.hosts
FOR EACH ROW EXECUTE FUNCTION watchkeeper.keep_installation();

CREATE FUNCTION watchkeeper.own_host() RETURNS integer LANGUAGE sql STABLE SECURITY DEFINER
SET search_path = pg_catalog, pg_temp
AS $$ SELECT host FROM watchkeeper.hosts WHERE role = session_user $$;

CREATE TABLE watchkeeper.series (
    host integer NOT NULL REFERENCES watchkeeper.hosts (host),
    series integer NOT NULL,
    key text NOT NULL,
    kind text NOT NULL,
    unit text,
    probe text NOT NULL,
    interval_s double precision NOT NULL,
    first_at_us bigint NOT NULL,
    PRIMARY KEY (host, series),
    UNIQUE (host, key)
);
CREATE TABLE watchkeeper.samples (
    host integer NOT NULL,
    series integer NOT NULL,
    at_ms bigint NOT NULL,
    value double precision,
    bound double precision,
    PRIMARY KEY (host, series, at_ms)
) PARTITION BY RANGE (at_ms);
-- What a wrong clock wrote: further ahead or back than partitions are made for.
CREATE TABLE watchkeeper.samples_elsewhere PARTITION OF watchkeeper.samples DEFAULT;
CREATE TABLE watchkeeper.hours (
    host integer NOT NULL,
    series integer NOT NULL,
    stretch bigint NOT NULL,
    samples bigint NOT NULL,
    without bigint NOT NULL,
    least double precision,
    total double precision,
    most double precision,
    last_ms bigint NOT NULL,
    last double precision,
    bound double precision,
    PRIMARY KEY (host, series, stretch)
);
CREATE TABLE watchkeeper.days (LIKE watchkeeper.hours INCLUDING ALL);
CREATE TABLE watchkeeper.latest (
    host integer NOT NULL,
    key text NOT NULL,
    at_us bigint NOT NULL,
    observation text NOT NULL,
    PRIMARY KEY (host, key)
);
CREATE TABLE watchkeeper.findings (
    host integer NOT NULL,
    key text NOT NULL,
    concern text NOT NULL,
    body text NOT NULL,
    PRIMARY KEY (host, key, concern)
);
CREATE TABLE watchkeeper.alerts (LIKE watchkeeper.findings INCLUDING ALL);
CREATE TABLE watchkeeper.forecasts (
    host integer NOT NULL,
    key text NOT NULL,
    at_us bigint NOT NULL,
    body text NOT NULL,
    PRIMARY KEY (host, key, at_us)
);
-- After a host was restored from a backup it uses numbers again: the time tells the two lines apart.
CREATE TABLE watchkeeper.events (
    host integer NOT NULL,
    at_us bigint NOT NULL,
    id bigint NOT NULL,
    entry text NOT NULL,
    key text,
    body text NOT NULL,
    PRIMARY KEY (host, at_us, id)
);
CREATE TABLE watchkeeper.changes (
    host integer NOT NULL,
    at_us bigint NOT NULL,
    id bigint NOT NULL,
    body text NOT NULL,
    PRIMARY KEY (host, at_us, id)
);
CREATE TABLE watchkeeper.deliveries (
    host integer NOT NULL,
    made_at_us bigint NOT NULL,
    id bigint NOT NULL,
    notifier text NOT NULL,
    thread text NOT NULL,
    state text NOT NULL,
    due_at_us bigint NOT NULL,
    done_at_us bigint,
    attempts bigint NOT NULL,
    error text NOT NULL,
    message text NOT NULL,
    PRIMARY KEY (host, made_at_us, id)
);

CREATE TABLE watchkeeper.retention (
    id integer PRIMARY KEY CHECK (id = 1),
    samples_weeks integer NOT NULL DEFAULT 5 CHECK (samples_weeks BETWEEN 3 AND 520),
    ahead_weeks integer NOT NULL DEFAULT 2 CHECK (ahead_weeks BETWEEN 1 AND 52),
    records_days integer NOT NULL DEFAULT 3650 CHECK (records_days >= 30),
    done_week bigint NOT NULL DEFAULT 0
);
INSERT INTO watchkeeper.retention (id) VALUES (1);

CREATE FUNCTION watchkeeper.add_up(part regclass) RETURNS void LANGUAGE plpgsql
SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    EXECUTE format('INSERT INTO watchkeeper.hours AS old
        SELECT host, series, at_ms / 3600000, count(*), count(*) - count(value), min(value), sum(value), max(value),
            max(at_ms) %% 3600000, (array_agg(value ORDER BY at_ms DESC))[1], (array_agg(bound ORDER BY at_ms DESC))[1]
        FROM %s AS s WHERE NOT EXISTS (SELECT 1 FROM watchkeeper.hours AS h WHERE h.host = s.host
            AND h.series = s.series AND h.stretch = s.at_ms / 3600000 AND s.at_ms <= h.stretch * 3600000 + h.last_ms)
        GROUP BY host, series, at_ms / 3600000
        ON CONFLICT (host, series, stretch) DO UPDATE SET samples = old.samples + excluded.samples,
            without = old.without + excluded.without, least = least(old.least, excluded.least),
            total = coalesce(old.total + excluded.total, old.total, excluded.total),
            most = greatest(old.most, excluded.most), last_ms = excluded.last_ms, last = excluded.last,
            bound = excluded.bound', part);
END $$;

CREATE FUNCTION watchkeeper.make_week(week bigint) RETURNS void LANGUAGE plpgsql
SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    name text := 'samples_' || week;
    low bigint := week * 604800000;
    high bigint := (week + 1) * 604800000;
BEGIN
    IF to_regclass('watchkeeper.' || name) IS NOT NULL THEN RETURN; END IF;
    EXECUTE format('CREATE TABLE watchkeeper.%I (LIKE watchkeeper.samples INCLUDING ALL)', name);
    EXECUTE format('WITH moved AS (DELETE FROM watchkeeper.samples_elsewhere WHERE at_ms >= %s AND at_ms < %s
        RETURNING *) INSERT INTO watchkeeper.%I SELECT * FROM moved', low, high, name);
    EXECUTE format('ALTER TABLE watchkeeper.samples ATTACH PARTITION watchkeeper.%I FOR VALUES FROM (%s) TO (%s)',
        name, low, high);
END $$;

-- Once a week makes the partitions of the weeks ahead, and adds up and drops what is past its time. Cheap otherwise.
CREATE FUNCTION watchkeeper.maintain() RETURNS boolean LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    this bigint := floor(extract(epoch FROM now()) / 604800);
    told watchkeeper.retention%ROWTYPE;
    part record;
    before_us bigint;
BEGIN
    SELECT * INTO told FROM watchkeeper.retention;
    IF told.done_week >= this OR NOT pg_try_advisory_xact_lock(1463504978, 0) THEN RETURN false; END IF;
    FOR week IN (this - told.samples_weeks) .. (this + told.ahead_weeks) LOOP
        PERFORM watchkeeper.make_week(week);
    END LOOP;
    FOR part IN SELECT inhrelid::regclass AS whole, substring(relname FROM '^samples_(\\d+)$')::bigint AS week
        FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid
        WHERE inhparent = 'watchkeeper.samples'::regclass AND relname ~ '^samples_\\d+$'
    LOOP
        IF part.week < this - told.samples_weeks THEN
            PERFORM watchkeeper.add_up(part.whole);
            EXECUTE format('DROP TABLE %s', part.whole);
        END IF;
    END LOOP;
    before_us := (extract(epoch FROM now()) - told.records_days * 86400.0) * 1000000;
    DELETE FROM watchkeeper.events USING watchkeeper.hosts WHERE events.host = hosts.host AND at_us < before_us;
    DELETE FROM watchkeeper.changes USING watchkeeper.hosts WHERE changes.host = hosts.host AND at_us < before_us;
    DELETE FROM watchkeeper.deliveries USING watchkeeper.hosts
        WHERE deliveries.host = hosts.host AND made_at_us < before_us;
    UPDATE watchkeeper.retention SET done_week = this;
    RETURN true;
END $$;
SELECT watchkeeper.maintain();
"""

_REQUESTS = """
-- What a station asks a host to do. A host reads and answers its own; a station makes one by the function alone.
CREATE TABLE watchkeeper.requests (
    host integer NOT NULL REFERENCES watchkeeper.hosts (host),
    id bigint GENERATED ALWAYS AS IDENTITY,
    made_at_us bigint NOT NULL,
    made_by text NOT NULL,
    key text NOT NULL,
    concern text NOT NULL,
    episode bigint NOT NULL,
    answered_at_us bigint,
    answer text NOT NULL DEFAULT '',
    PRIMARY KEY (host, id)
);
CREATE FUNCTION watchkeeper.request_acknowledgement(
    of_host integer, station text, about text, what text, raised bigint
) RETURNS bigint LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    now_us bigint := extract(epoch FROM clock_timestamp()) * 1000000;
    made bigint;
BEGIN
    DELETE FROM watchkeeper.requests WHERE host = of_host AND made_at_us < now_us - 2592000000000;
    IF (SELECT count(*) FROM watchkeeper.requests WHERE host = of_host AND made_at_us > now_us - 3600000000) >= 200
    THEN RAISE EXCEPTION 'there were 200 requests to this host within an hour; try again later'; END IF;
    INSERT INTO watchkeeper.requests (host, made_at_us, made_by, key, concern, episode)
        VALUES (of_host, now_us, left(station, 200), about, what, raised) RETURNING id INTO made;
    RETURN made;
END $$;
"""


@dataclass(frozen=True, slots=True)
class Migration:
    """One step. oldest: the lowest version whose programs may write and read after it; one that only adds keeps it."""

    script: str
    oldest: int = 1


MIGRATIONS = (Migration(_FIRST), Migration(_REQUESTS))
"""In order; the number of the newest is the archive's version. Never edited once a version with it is out."""

OF_HOSTS = ("series", "samples", "hours", "days", "latest", "findings", "alerts", "forecasts", "events", "changes")
"""The tables whose rows belong to a host, besides `deliveries`, and which a host writes."""

TABLES = (*OF_HOSTS, "deliveries")


def version(conn: Any) -> int:  # noqa: ANN401  a connection of the optional driver
    """The archive's version; 0 where there is none."""
    return _state(conn)[0]


def _state(conn: Any) -> tuple[int, int]:  # noqa: ANN401  the same
    """The archive's version, and the lowest one whose programs may use it; 0 where nothing is said."""
    (there,) = conn.execute("SELECT to_regclass('watchkeeper.migrations') IS NOT NULL").fetchone()
    if not there:
        return 0, 0
    # An archive that was made before there was the column has none.
    found = conn.execute(
        "SELECT coalesce(max(number), 0), coalesce(max((to_jsonb(each) ->> 'oldest')::integer), 0)"
        " FROM watchkeeper.migrations AS each"
    ).fetchone()
    return int(found[0]), int(found[1])


def migrate(conn: Any) -> int:  # noqa: ANN401  the same
    """Bring the archive to the newest version, in one transaction; returns it. Raises ArchiveError for a later one."""
    with conn.transaction():
        conn.execute("CREATE SCHEMA IF NOT EXISTS watchkeeper")
        conn.execute(
            "CREATE TABLE IF NOT EXISTS watchkeeper.migrations"
            " (number integer PRIMARY KEY, applied_at timestamptz NOT NULL DEFAULT now())"
        )
        # One at a time, and no host begins to write in the middle.
        conn.execute("LOCK TABLE watchkeeper.migrations IN ACCESS EXCLUSIVE MODE")
        conn.execute("ALTER TABLE watchkeeper.migrations ADD COLUMN IF NOT EXISTS oldest integer NOT NULL DEFAULT 1")
        there = version(conn)
        if there > len(MIGRATIONS):
            raise _later(there)
        for number, each in enumerate(MIGRATIONS[there:], there + 1):
            conn.execute(driver().sql.SQL(each.script))
            conn.execute("INSERT INTO watchkeeper.migrations (number, oldest) VALUES (%s, %s)", (number, each.oldest))
    return len(MIGRATIONS)


def check_version(conn: Any, needed: int) -> int:  # noqa: ANN401  the same
    """The archive's version, which may be later than this program's if its programs may still use it.

    Raises ArchiveError if they may not, or if the archive is earlier than `needed`.
    """
    there, oldest = _state(conn)
    if oldest > len(MIGRATIONS):
        raise _later(there)
    if there < needed:
        raise ArchiveRefused(
            f"the archive has version {there}, and this watchkeeper needs {needed}: run watchkeeper archive-init"
        )
    return there


def _later(there: int) -> ArchiveRefused:
    return ArchiveRefused(
        f"the archive has version {there}, and this watchkeeper knows up to {len(MIGRATIONS)}: install a later one"
    )
