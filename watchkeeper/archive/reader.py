"""Reads the archive as the store reads the database of one host: the same records, for the same questions.

Every query is about hosts that are named in it, so that each reads only their rows. A row that cannot be read is left
out. Not here: names of several hosts side by side (common_store.py), threads.
"""

import json
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from operator import attrgetter
from typing import Any, TypeVar

from watchkeeper.archive import driver, migrations, requests
from watchkeeper.archive.hosts_reader import Host
from watchkeeper.archive.shipping import LOCK, NEEDED
from watchkeeper.archive.worker import address_in
from watchkeeper.config.types import SecretSource
from watchkeeper.model.alert import CONCERN, Concern
from watchkeeper.model.change import Change, ChangeKind
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast_record import KeptForecast
from watchkeeper.model.history.availability import GAP_INTERVALS, AnswerHistory, history_of, outages
from watchkeeper.model.hosts import HostRecords
from watchkeeper.model.observation import Kind, SeriesKey, Unit
from watchkeeper.model.records import Bucket, Delivery, DeliveryState, Entry, EventLine, Sample, Seen, Series
from watchkeeper.store.history.answer_history import of_runs, of_stretches
from watchkeeper.store.history.rollup import DAY_MS, HOUR_MS
from watchkeeper.store.history.series_history import bucket, joined, stand_ins
from watchkeeper.store.rows.checked_rows import UNFIT
from watchkeeper.store.rows.codec import (
    ALERT,
    CHANGE,
    FINDING,
    KEPT_FORECAST,
    LINE,
    MESSAGE,
    OBSERVATION,
    key_column,
    key_of,
)
from watchkeeper.store.rows.timestamps import from_us, to_ms, to_us

T = TypeVar("T")

EARLIEST_US, LATEST_US = -(2**62), 2**62
STATIONS = -1
"""The second key of the lock of the station that sends; hosts have their own numbers."""

_HOSTS = """
SELECT host, name, CASE WHEN seen_at_us > 0 THEN least(extract(epoch FROM clock_timestamp()) - seen_at_us / 1e6,
    extract(epoch FROM clock_timestamp() - pg_postmaster_start_time()))::float8 END, version, generation
FROM watchkeeper.hosts ORDER BY name
"""
_SERIES = """
SELECT s.host, series, key, kind, unit, probe, interval_s, first_at_us, at_us, observation
FROM watchkeeper.series AS s JOIN watchkeeper.latest AS l USING (host, key)
WHERE s.host = ANY(%(hosts)s::integer[]) AND l.host = ANY(%(hosts)s::integer[]) ORDER BY s.host, series
"""
_NOW = "SELECT host, body FROM watchkeeper.{table} WHERE host = ANY(%(hosts)s::integer[])"
# What an hour's row holds, up to its newest sample, counts in place of samples; so does a day in place of hours.
_SAMPLES = """
FROM watchkeeper.samples AS s WHERE host = %(host)s AND series = %(series)s AND at_ms BETWEEN %(since)s AND %(until)s
AND NOT EXISTS (SELECT 1 FROM watchkeeper.hours AS h
    WHERE h.host = %(host)s AND h.series = %(series)s AND h.stretch = s.at_ms / 3600000
    AND s.at_ms <= h.stretch * 3600000 + h.last_ms)
"""
_HOURS = """
FROM watchkeeper.hours AS h WHERE host = %(host)s AND series = %(series)s AND stretch BETWEEN %(first)s AND %(last)s
AND NOT EXISTS (SELECT 1 FROM watchkeeper.days AS d
    WHERE d.host = %(host)s AND d.series = %(series)s AND d.stretch = h.stretch / 24
    AND h.stretch * 3600000 + h.last_ms <= d.stretch * 86400000 + d.last_ms)
"""
_DAYS = """
FROM watchkeeper.days WHERE host = %(host)s AND series = %(series)s AND stretch BETWEEN %(first)s AND %(last)s
"""
_ROLLED = ((_HOURS, HOUR_MS), (_DAYS, DAY_MS))

_THINNED_SAMPLES = f"""
SELECT (at_ms - %(since)s) / %(width)s AS n, count(*), count(value), min(value), sum(value), max(value), max(at_ms),
    (array_agg(value ORDER BY at_ms DESC))[1], (array_agg(bound ORDER BY at_ms DESC))[1], min(at_ms),
    min(CASE WHEN value IS NULL THEN at_ms END) {_SAMPLES} GROUP BY n
"""
_THINNED_ROLLED = """
SELECT (stretch * %(each)s + %(each)s / 2 - %(since)s) / %(width)s AS n, sum(samples)::bigint,
    sum(samples - without)::bigint, min(least), sum(total), max(most), max(stretch * %(each)s + last_ms),
    (array_agg(last ORDER BY stretch DESC))[1], (array_agg(bound ORDER BY stretch DESC))[1],
    min(stretch) * %(each)s, min(CASE WHEN without > 0 THEN stretch END) * %(each)s + %(each)s / 2
{rows} AND stretch * %(each)s + %(each)s / 2 BETWEEN %(since)s AND %(until)s GROUP BY n
"""
_RUNS = f"""
SELECT at_ms, down, before_ms FROM (
    SELECT at_ms, value IS NULL AS down, lag(value IS NULL) OVER times AS was_down, lag(at_ms) OVER times AS before_ms
    {_SAMPLES} WINDOW times AS (ORDER BY at_ms)
) AS every WHERE was_down IS NULL OR down <> was_down OR at_ms - before_ms > %(gap)s ORDER BY at_ms
"""  # noqa: S608  fixed text
# Of each host its newest rows by its own index, then the newest of those: one question for all hosts.
_NEWEST = """
SELECT found.* FROM unnest(%(hosts)s::integer[]) AS asked (number) CROSS JOIN LATERAL (
    SELECT {columns} FROM watchkeeper.{table} WHERE host = asked.number AND {bounds} ORDER BY {by} LIMIT %(limit)s
) AS found ORDER BY {by} LIMIT %(limit)s
"""


def _newest(table: str, columns: str, bounds: str, by: str, order: str = "DESC") -> str:
    return _NEWEST.format(table=table, columns=columns, bounds=bounds, by=f"{by} {order}, id {order}")


_LINES = {
    order: _newest(
        "events",
        "host, id, at_us, body",
        "at_us > %(after)s AND at_us < %(before)s AND at_us >= %(since)s"
        " AND (%(key)s::text IS NULL OR key = %(key)s) AND (%(entry)s::text IS NULL OR entry = %(entry)s)",
        "at_us",
        order,
    )
    for order in ("ASC", "DESC")
}
_CHANGES = _newest(
    "changes",
    "host, id, at_us, body",
    "at_us BETWEEN %(since)s AND %(until)s AND (%(kinds)s::text[] IS NULL OR body::json ->> 'kind' = ANY(%(kinds)s))",
    "at_us",
)
_DELIVERIES = _newest(
    "deliveries",
    "host, id, notifier, state, due_at_us, made_at_us, done_at_us, attempts, error, message",
    "made_at_us > %(after)s AND (NOT %(open)s OR state <> 'delivered')",
    "made_at_us",
)
_FORECASTS = """
SELECT host, body FROM watchkeeper.forecasts WHERE host = ANY(%(hosts)s::integer[])
AND (%(key)s::text IS NULL OR key = %(key)s) ORDER BY host, at_us, key
"""


class ArchiveReader:
    """A connection of the page's role. Belongs to one thread."""

    def __init__(self, address: str) -> None:
        """Raises ArchiveError."""
        self._parts = driver.parts(address)
        self._conn = driver.connect(address)
        try:
            with driver.translated(self._parts):
                migrations.check_version(self._conn, NEEDED)
                self._conn.execute("SELECT watchkeeper.maintain()")
        except BaseException:
            self.close()
            raise

    @classmethod
    def at(cls, url: SecretSource) -> "ArchiveReader":
        """url: where the address is. Raises ArchiveError."""
        return cls(address_in(url))

    def close(self) -> None:
        """Close the connection."""
        with suppress(driver.driver().Error):
            self._conn.close()

    def sends(self) -> bool:
        """Whether this station is the one that sends: it has the lock, or gets it now. It keeps it until it ends."""
        mine = "SELECT count(*) FROM pg_locks WHERE locktype = 'advisory' AND pid = pg_backend_pid()"
        return self._rows(mine)[0][0] > 0 or bool(
            self._rows("SELECT pg_try_advisory_lock(%(lock)s, %(of)s)", lock=LOCK, of=STATIONS)[0][0]
        )

    def hosts(self) -> Sequence[Host]:
        """Every host, by name."""
        return [Host(*row) for row in self._rows(_HOSTS)]

    def states(self, hosts: Sequence[int]) -> dict[int, HostRecords]:
        """Series, newest observations, findings and alerts of hosts, by their numbers."""
        with self._whole():
            rows = _by_host(self._rows(_SERIES, hosts=list(hosts)))
            findings = _by_host(self._rows(_NOW.format(table="findings"), hosts=list(hosts)))
            alerts = _by_host(self._rows(_NOW.format(table="alerts"), hosts=list(hosts)))
        return {each: _state(rows[each], findings[each], alerts[each]) for each in hosts}

    def samples(self, host: int, key: SeriesKey, since: datetime, until: datetime) -> Sequence[Sample]:
        """A series' samples, oldest first, both ends included; from roll-ups where they are no longer kept."""
        asked = self._asked(host, key, since, until)
        if asked is None:
            return []
        rows = self._rows(f"SELECT at_ms, value, bound {_SAMPLES} ORDER BY at_ms", **asked)
        found = list[Sample]()
        for text, width in _ROLLED:
            columns = f"SELECT stretch, samples, without, least, most, last_ms, last, bound {text} ORDER BY stretch"
            for row in self._rows(columns, **_stretches(asked, width)):
                found += [e for e in stand_ins(row, width) if asked["since"] <= e.at_s * 1000 <= asked["until"]]
        found += [Sample(at_ms / 1000, value, bound) for at_ms, value, bound in rows]
        return sorted(found, key=attrgetter("at_s"))

    def samples_thinned(
        self, host: int, key: SeriesKey, since: datetime, until: datetime, points: int
    ) -> Sequence[Bucket]:
        """A series' samples in at most about `points` equal stretches of time, oldest first; empty ones left out."""
        asked = self._asked(host, key, since, until)
        if asked is None:
            return []
        grains = [
            (text, each) for text, each in _ROLLED if self._rows(f"SELECT 1 {text} LIMIT 1", **_stretches(asked, each))
        ]
        span = asked["until"] - asked["since"]
        width = max(1, -(-span // max(1, points)), *(each for _, each in grains))
        rows = self._rows(_THINNED_SAMPLES, **asked, width=width)
        for text, each in grains:
            rows += self._rows(_THINNED_ROLLED.format(rows=text), **_stretches(asked, each), width=width, each=each)
        parts = dict[int, Sequence[Any]]()
        for n, *rest in rows:
            parts[n] = joined(parts[n], rest) if n in parts else rest
        return [bucket(asked["since"] + n * width, width, parts[n]) for n in sorted(parts)]

    def answers(self, host: int, key: SeriesKey, since: datetime, until: datetime, interval_s: float) -> AnswerHistory:
        """When a service answered between two times and when it did not, and the outages of which samples are kept."""
        asked = self._asked(host, key, since, until)
        if asked is None:
            return AnswerHistory()
        rows = self._rows(_RUNS, **asked, gap=int(GAP_INTERVALS * interval_s * 1000))
        last_ms = self._rows(f"SELECT max(at_ms) {_SAMPLES}", **asked)[0][0] or 0
        found = list(of_runs(rows, last_ms, asked["until"], interval_s))
        for text, width in _ROLLED:
            stretches = self._rows(
                f"SELECT stretch, samples, without, last IS NULL {text}",
                **_stretches(asked, width),
            )
            found += of_stretches(stretches, width, interval_s)
        pieces = sorted(found, key=attrgetter("begin_s"))
        return history_of(pieces, outages(pieces))

    def forecasts(self, hosts: Sequence[int], key: SeriesKey | None) -> Iterable[tuple[int, KeptForecast]]:
        """The forecasts that hosts kept, of a series or of all, each with the number of its host; oldest first."""
        rows = self._rows(_FORECASTS, hosts=list(hosts), key=None if key is None else key_column(key))
        return _read(lambda host, body: (host, KEPT_FORECAST.loads(body)), rows)

    def changes(
        self,
        hosts: Sequence[int],
        since: datetime | None,
        until: datetime | None,
        kinds: Collection[ChangeKind],
        limit: int,
    ) -> Iterable[tuple[int, Change]]:
        """What changed on hosts between two times, newest first, each with the number of its host."""
        rows = self._rows(
            _CHANGES,
            hosts=list(hosts),
            since=EARLIEST_US if since is None else to_us(since),
            until=LATEST_US if until is None else to_us(until),
            kinds=[each.value for each in kinds] or None,
            limit=limit,
        )
        return _read(lambda host, _number, _at, body: (host, CHANGE.loads(body)), rows)

    def events(
        self,
        hosts: Sequence[int],
        *,
        key: SeriesKey | None = None,
        before_us: int | None = None,
        after_us: int | None = None,
        entry: Entry | None = None,
        since: datetime | None = None,
        limit: int = 100,
    ) -> Iterable[tuple[int, EventLine]]:
        """Lines of the event logs of hosts, each with the number of its host, newest first; with after_us oldest."""
        rows = self._rows(
            _LINES["DESC" if after_us is None else "ASC"],
            hosts=list(hosts),
            after=EARLIEST_US if after_us is None else after_us,
            before=LATEST_US if before_us is None else before_us,
            since=EARLIEST_US if since is None else to_us(since),
            key=None if key is None else key_column(key),
            entry=None if entry is None else entry.value,
            limit=limit,
        )
        return _read(lambda host, number, _at, body: (host, replace(LINE.loads(body), id=number)), rows)

    def deliveries(self, hosts: Sequence[int], *, only_open: bool, limit: int) -> Iterable[tuple[int, Delivery]]:
        """Deliveries of hosts, newest first, each with the number of its host."""
        rows = self._rows(_DELIVERIES, hosts=list(hosts), after=EARLIEST_US, open=only_open, limit=limit)
        return _read(lambda host, *rest: (host, _delivery_of(*rest)), rows)

    def request_acknowledgement(self, host: int, station: str, key: SeriesKey, concern: Concern, episode: int) -> None:
        """Ask a host to acknowledge an alert."""
        with driver.translated(self._parts):
            requests.make(self._conn, host, station, key, concern, episode)

    def _asked(self, host: int, key: SeriesKey, since: datetime, until: datetime) -> dict[str, int] | None:
        """The values of a query of samples; None where there is no such series."""
        found = self._rows(
            "SELECT series FROM watchkeeper.series WHERE host = %(host)s AND key = %(key)s",
            host=host,
            key=key_column(key),
        )
        return {"host": host, "series": found[0][0], "since": to_ms(since), "until": to_ms(until)} if found else None

    def _whole(self) -> Any:  # noqa: ANN401  of the optional driver
        return self._conn.transaction()

    def _rows(self, text: str, **values: object) -> list[Any]:
        with driver.translated(self._parts):
            return self._conn.execute(text, values).fetchall()


def _read(decode: Callable[..., T], rows: Iterable[tuple[Any, ...]]) -> Iterable[T]:
    for row in rows:
        with suppress(*UNFIT):
            yield decode(*row)


def _by_host(rows: Iterable[Sequence[Any]]) -> defaultdict[int, list[tuple[Any, ...]]]:
    """Rows by their first column, without it."""
    found = defaultdict[int, list[tuple[Any, ...]]](list)
    for host, *rest in rows:
        found[host].append(tuple(rest))
    return found


def _state(
    rows: Iterable[tuple[Any, ...]], findings: Iterable[tuple[Any, ...]], alerts: Iterable[tuple[Any, ...]]
) -> HostRecords:
    both = list(_read(_series_of, rows))
    at = {seen.observation.key: (one.kind, seen.at) for one, seen in both}
    return HostRecords(
        [one for one, _ in both],
        [seen for _, seen in both],
        [_confirmed(each, at) for each in _read(FINDING.loads, findings)],
        list(_read(ALERT.loads, alerts)),
    )


def _series_of(*row: Any) -> tuple[Series, Seen]:  # noqa: ANN401  a row of the optional driver
    number, key, kind, unit, probe, interval_s, first_at_us, at_us, observation = row
    label, at = str(json.loads(probe)), from_us(at_us)
    one = Series(
        number,
        key_of(key),
        Kind(kind),
        None if unit is None else Unit(unit),
        label,
        interval_s,
        from_us(first_at_us),
        at,
    )
    return one, Seen(at, OBSERVATION.loads(observation), label, interval_s)


def _confirmed(found: Finding, at: dict[SeriesKey, tuple[Kind, datetime]]) -> Finding:
    """As old as the newest sample of its series, as the store has it: a finding is written only when it changes."""
    kind, newest = at.get(found.key, (None, found.at))
    if kind is None or newest <= found.at or found.concern not in (CONCERN[kind], Concern.NOT_REPORTING):
        return found
    return found.as_of(newest)


def _delivery_of(*row: Any) -> Delivery:  # noqa: ANN401  the same
    number, notifier, state, due_at_us, made_at_us, done_at_us, attempts, error, message = row
    return Delivery(
        notifier=str(json.loads(notifier)),
        message=MESSAGE.loads(message),
        made_at=from_us(made_at_us),
        due_at=from_us(due_at_us),
        state=DeliveryState(state),
        tries=attempts,
        trouble=str(json.loads(error)),
        done_at=None if done_at_us is None else from_us(done_at_us),
        id=number,
    )


def _stretches(asked: dict[str, int], width: int) -> dict[str, int]:
    return {**asked, "first": asked["since"] // width, "last": asked["until"] // width}
