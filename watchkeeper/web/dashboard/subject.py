"""The page of one subject: its history, what was found, its alerts and its event log."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, assert_never

from aiohttp import web
from markupsafe import Markup

from watchkeeper.forecast.scoring import summary
from watchkeeper.manual.runbook import first_step, runbook
from watchkeeper.messages import wording as words
from watchkeeper.messages.deletions import Deletions
from watchkeeper.messages.delivery.explained import Explained, deliveries_of, explained
from watchkeeper.messages.forecast_record import record_line
from watchkeeper.messages.growth import is_space
from watchkeeper.messages.runbook import RunbookEntry
from watchkeeper.messages.wording import (
    amount,
    clean,
    concern_words,
    condition_words,
    duration,
    instant,
    localized,
    share,
    state_words,
    time_left_phrase,
)
from watchkeeper.model.alert import CONCERN, OPEN, Alert, Concern, Priority, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.forecast import Forecast
from watchkeeper.model.observation import (
    LEARNING,
    Answer,
    Condition,
    Deadline,
    Kind,
    Level,
    Observation,
    SeriesKey,
    Unit,
)
from watchkeeper.model.operator.maintenance import Maintenance
from watchkeeper.model.records import Sample, Seen, Series
from watchkeeper.web.api.handlers import QUANTITY_EVENTS
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.auth.form_handlers import MAINTENANCES, SHELVINGS
from watchkeeper.web.auth.session_auth import SESSION_AUTH, viewer
from watchkeeper.web.charts import chart_builder
from watchkeeper.web.charts.charts import NARROW, WIDE, Chart, draw
from watchkeeper.web.charts.downsample import downsample, unfold
from watchkeeper.web.context import Context, of
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.availability import measured
from watchkeeper.web.dashboard.changed import changed_before, changed_between
from watchkeeper.web.dashboard.related import dependents, growers
from watchkeeper.web.events.event_log import merged
from watchkeeper.web.events.event_text import easing, is_easing
from watchkeeper.web.http.parameters import choice, moment, part
from watchkeeper.web.http.problem_details import Refusal, not_found
from watchkeeper.web.planning.links import links
from watchkeeper.web.planning.planner import DELETIONS
from watchkeeper.web.templating import render

SUBJECT = part("subject", "the id of a series, or a subject's own name", str, {"type": "string"})
ALL, USUAL = "all", "10d"
SPAN = choice(
    "span", "How much of the past is drawn; default: 10 days, or all if it is less.", (*chart_builder.SPANS, ALL)
)
OLD_SPANS = {"day": "2d", "week": USUAL, "month": "6w", "year": ALL}
"""The spans of 0.1.0: a bookmark shows the nearest one."""
SINCE = moment("since", "The past is drawn from here on, instead of a span.")
UNTIL = moment("until", "The past is drawn up to here; default: now.")
YOUNGEST_S = 60.0
"""A younger history is drawn as if it were a minute long."""
SHORTEST_S = 1.0
"""The shortest window: samples have a resolution of milliseconds, so less than a second shows nothing."""
TABLE_ROWS = 24
"""Rows of the table that says the same as the picture: about two screens of a phone."""
PLAIN_SAMPLES = 3_000
"""How many samples are read one by one, two days of one-minute samples; more are aggregated by the store."""
DECIDED_SINCE, SHOWN_DECISIONS = timedelta(days=14), 40
"""How far back decisions are kept, and how many records of them are read: the command shows all."""


@dataclass(frozen=True, slots=True)
class AlertRow:
    """An alert of this subject as text. remedy: the runbook entry about it, while it is active.

    changed: what changed on the host before it began, nearest first: when, and what.
    """

    alert: Alert
    concern: str
    state: str
    fact: str
    advice: str
    open: bool
    shelved: bool
    remedy: RunbookEntry | None
    changed: Sequence[tuple[str, str]] = ()

    def named(self, text: str) -> str:
        """A text of the remedy, about this subject."""
        return self.remedy.named(text, self.alert.key) if self.remedy else ""


async def subject(request: web.Request) -> web.Response:
    """The page of a subject, with one of its series in full."""
    context = of(request)
    now = context.clock.now()
    every = await context.store.series()
    series = find(every, SUBJECT.given(request))
    span = asked_span(request) or usual_span(series, now)
    window, chosen = chosen_window(request, span_s(span, series, now), now)
    samples = await past(context, series, window)
    newest = await context.store.latest()
    latest = _latest(newest, series.key)
    findings = {f.concern: f for f in await context.store.findings() if f.key == series.key}
    alerts = [a for a in await context.store.alerts() if a.key == series.key]
    main = findings.get(CONCERN[series.kind])
    changes = await changed_between(context, series.key, window.since_s, window.now_s, now)
    ahead, limit = _future(main, alerts) if not chosen else None, _limit(latest)
    chart = chart_builder.build_chart(series, samples, ahead, window, limit)
    chart = replace(chart, marks=[(at_s, f"{when}: {what}") for at_s, when, what in changes])
    return render(
        "subject.html",
        context,
        now,
        viewer=viewer(request),
        can_sign_in=request.app[SESSION_AUTH].open,
        shelvings=_shelvings(),
        maintenances=[(value, words) for value, (words, _) in MAINTENANCES.items()],
        maintained=next((m for m in await context.store.maintenance() if _is_under_way(m, series, now)), None),
        series=series,
        siblings=[s for s in every if s.key.subject == series.key.subject],
        **_drawn(window, span, chosen=chosen),
        spans=offered_spans(series, now),
        priority=_highest(alerts),
        record=await _record(context, series),
        **_said(main, latest, now, context.zone, alerts),
        changes=[(when, what) for _, when, what in changes],
        pictures=_pictures(chart, context.zone),
        legend=legend(series, _future(main, alerts), limit),
        plans=links(series.key.subject),
        availability=await measured(context, series, now),
        resting=dependents(context, series, every),
        growers=await growers(context, series, every, newest, main),
        heads=HEADS[series.kind],
        rows=table(series, samples, context.zone, now),
        details=details(series, latest, main, now, context.zone),
        seconds=dashboard_text.seconds,
        alerts=[
            replace(
                row(a, findings.get(a.concern), latest, now, context),
                changed=await changed_before(context, a, findings.get(a.concern), now),
            )
            for a in alerts
        ],
        caution=runbook().caution,
        elsewhere=context.host_of(series.key),
        deletions=await _deletions(request, main, alerts),
        as_json=f"quantities/{series.id}",
        decisions=await _decisions(context, series, now),
        lines=merged(await context.store.events(key=series.key, limit=4 * QUANTITY_EVENTS), {})[:QUANTITY_EVENTS],
    )


async def _deletions(request: web.Request, main: Finding | None, alerts: Sequence[Alert]) -> Deletions | None:
    """The snapshots that hold most of a store that fills; None if that is not known, or of another machine."""
    filling = any(a.concern is Concern.FULL and a.standing and not is_easing(a, main) for a in alerts)
    if main is None or not filling or not is_space(main.key) or of(request).hosts is not None:
        return None
    return await request.app[DELETIONS].of(main.key.subject)


def _future(main: Finding | None, alerts: Sequence[Alert]) -> Forecast | None:
    """The forecast to draw.

    None while a young growth has no date: the trend is that of the time before it. None while an alert waits for its
    end to last: the trend has too few readings since space was freed.
    """
    if main is None or dashboard_text.too_early(main) or any(is_easing(each, main) for each in alerts):
        return None
    return main.forecast


async def _record(context: Context, series: Series) -> str:
    """What became of this level's forecasts, in one line; empty for another kind, and if none was kept."""
    kept = await context.store.forecasts(series.key) if series.kind is Kind.LEVEL else ()
    return record_line(summary(kept)) if kept else ""


async def _decisions(context: Context, series: Series, now: datetime) -> list[Explained]:
    """The newest decisions about the subject, the newest first."""
    kept = (await context.store.decisions(series.key.subject, now - DECIDED_SINCE))[-SHOWN_DECISIONS:]
    lines = await context.store.events(key=series.key, limit=4 * QUANTITY_EVENTS)
    return explained(kept, deliveries_of(reversed(lines)), context.zone, now)[::-1]


def _latest(newest: Sequence[Seen], key: SeriesKey) -> Seen | None:
    """What was last seen of a series."""
    return next((s for s in newest if s.observation.key == key), None)


def _highest(alerts: Sequence[Alert]) -> Priority | None:
    return max((a.priority for a in alerts if a.priority), default=None)


def _pictures(chart: Chart, zone: tzinfo) -> list[Markup]:
    """The same chart for a narrow and for a wide screen."""
    return [Markup(draw(chart, size, zone)) for size in (NARROW, WIDE)]  # noqa: S704  web/charts/svg.py escapes


def _is_under_way(planned: Maintenance, series: Series, now: datetime) -> bool:
    return planned.subject == series.key.subject and now < planned.until


def _shelvings() -> list[tuple[str, str]]:
    return [(value, words) for value, (words, _) in SHELVINGS.items()]


def _drawn(window: chart_builder.Window, span: str, *, chosen: bool) -> dict[str, Any]:
    """The window that is drawn, and the other ones available."""
    since, until = (datetime.fromtimestamp(s, UTC) for s in (window.since_s, window.now_s))
    return {
        "span": "" if chosen else span,
        "whole": span,
        "since": stamp(since),
        "until": stamp(until),
        "ends": (since, until) if chosen else (),
    }


def _said(
    main: Finding | None, latest: Seen | None, now: datetime, zone: tzinfo, alerts: Sequence[Alert] = ()
) -> dict[str, Any]:
    """What was found, as text, and what the newest observation says besides its value."""
    seen = latest.observation if latest else None
    eased = next((said for a in alerts if main and a.standing and (said := easing(a, main, now, zone))), "")
    return {
        "fact": eased or (time_left_phrase(main, now, zone, seen) if main else _not_judged(seen)),
        "interval": dashboard_text.interval_of(main) if main else "",
        "reason": "" if eased else dashboard_text.why(main, seen, zone),
        "phases": seen.phases if isinstance(seen, Answer) else (),
        "facts": [tuple(localized(each, zone, now) for each in fact) for fact in seen.facts] if seen else (),
    }


def _not_judged(seen: Observation | None) -> str:
    """What a quantity without a finding shows: a measured number itself; another level is recorded and not judged."""
    if isinstance(seen, Level) and seen.not_judged:
        return dashboard_text.summary(seen) if seen.limit else "recorded, not judged"
    return LEARNING


def chosen_window(request: web.Request, span_s: float, now: datetime) -> tuple[chart_builder.Window, bool]:
    """The window to draw, and whether its ends were chosen: then no future is drawn."""
    since, until = (_instant(each.of(request), now) for each in (SINCE, UNTIL))
    if since is None and until is None:
        return chart_builder.Window(now.timestamp() - span_s, now.timestamp()), False
    end_s = min((until or now).timestamp(), now.timestamp())
    begin_s = since.timestamp() if since else end_s - span_s
    if end_s - begin_s < SHORTEST_S:
        raise Refusal(
            400, "There is no past between since and until: since must be before until, and not in the future."
        )
    return chart_builder.Window(max(begin_s, 0.0), end_s), True


def _instant(value: datetime | timedelta | None, now: datetime) -> datetime | None:
    return now + value if isinstance(value, timedelta) else value


async def past(context: Context, series: Series, window: chart_builder.Window) -> Sequence[Sample]:
    """The samples of a window.

    The store aggregates those of a long window before they are read: a year has half a million.
    """
    since, until = (datetime.fromtimestamp(s, UTC) for s in (window.since_s, window.now_s))
    # Aggregates are dated by the window that is asked for: none may begin before the first sample.
    since = min(max(since, series.first_at), until)
    if (until - since).total_seconds() / series.interval_s <= PLAIN_SAMPLES:
        return await context.store.samples(series.key, since, until)
    return unfold(await context.store.samples_thinned(series.key, since, until, chart_builder.POINTS))


def asked_span(request: web.Request) -> str | None:
    """The span in the address, also in a word of 0.1.0. Raises Refusal (400)."""
    return OLD_SPANS.get(request.query.get("span", "")) or SPAN.of(request)


def span_s(span: str, series: Series, now: datetime) -> float:
    """The length of a span, in seconds."""
    return _age_s(series, now) if span == ALL else chart_builder.SPANS[span][1]


def offered_spans(series: Series, now: datetime) -> list[tuple[str, str]]:
    """The spans that a history fills, each with its words; the last one is all of it."""
    age_s = _age_s(series, now)
    return [*((span, said) for span, (said, long_s) in chart_builder.SPANS.items() if long_s < age_s), (ALL, ALL)]


def usual_span(series: Series, now: datetime) -> str:
    """The default span."""
    return USUAL if span_s(USUAL, series, now) < _age_s(series, now) else ALL


def _age_s(series: Series, now: datetime) -> float:
    return max((now - series.first_at).total_seconds(), YOUNGEST_S)


def find(every: Sequence[Series], wanted: str) -> Series:
    """The series with an id, or the first one of a subject. Raises Refusal (404)."""
    for each in every:
        if wanted in {str(each.id), each.key.subject}:
            return each
    raise not_found(f'There is no subject "{clean(wanted, 80)}".')


def row(alert: Alert, finding: Finding | None, latest: Seen | None, now: datetime, context: Context) -> AlertRow:
    """One alert."""
    standing = alert.state is not State.NORMAL and alert.standing and not is_easing(alert, finding)
    seen = latest.observation if latest else None
    return AlertRow(
        alert,
        concern_words(alert.concern),
        state_words(alert.state),
        (easing(alert, finding, now, context.zone) or time_left_phrase(finding, now, context.zone, seen))
        if finding
        else "",
        first_step(alert.concern, alert.key, seen) if standing else "",
        alert.state in OPEN,
        alert.shelved(now),
        runbook().find(alert.concern, alert.key) if standing else None,
    )


def _limit(latest: Seen | None) -> str:
    """What the bound of a measured number is; empty for any other quantity."""
    return (latest.observation.limit or "") if latest is not None and isinstance(latest.observation, Level) else ""


def legend(series: Series, forecast: Forecast | None, limit: str = "") -> str:
    """What the picture's lines mean. limit: as in build_chart."""
    if limit:
        return f"The line shows what was measured. It is OK if it is {limit} the limit."
    match series.kind:
        case Kind.LEVEL:
            drawn = "The line shows what is used."
            if forecast is None or forecast.line is None:
                return drawn
            if forecast.likely_s is None:
                return f"{drawn} Dashed: the fitted trend."
            return f"{drawn} Dashed: the trend. Shaded: the 90 % range of the time to full."
        case Kind.DEADLINE:
            return "The line shows the time left until it is due. It jumps up each time that it happens again."
        case Kind.ANSWER:
            return "The line shows the response time. Shaded: not answering."
        case Kind.CONDITION:
            return "High: OK. Low and shaded: faulty."
        case _:
            assert_never(series.kind)


HEADS = {
    Kind.LEVEL: ("used", "of", "share"),
    Kind.DEADLINE: ("time left",),
    Kind.ANSWER: ("response time",),
    Kind.CONDITION: ("state",),
}


def table(series: Series, samples: Sequence[Sample], zone: tzinfo, now: datetime) -> list[tuple[str, tuple[str, ...]]]:
    """The picture's table: newest first, with the peaks."""
    chosen = downsample(samples, TABLE_ROWS)
    return [(instant(datetime.fromtimestamp(s.at_s, UTC), zone, now), cells(series, s)) for s in reversed(chosen)]


def cells(series: Series, sample: Sample) -> tuple[str, ...]:
    """A sample as text, under the heads of its kind."""
    value = sample.value
    match series.kind:
        case Kind.LEVEL:
            if value is None or not sample.bound:
                return ("unknown", "", "")
            unit = series.unit or Unit.COUNT
            return (amount(value, unit), amount(sample.bound, unit), share(value / sample.bound))
        case Kind.DEADLINE:
            if value is None:
                return ("none found",)
            left_s = value - sample.at_s
            return (duration(left_s) if left_s >= 0 else f"overdue for {duration(-left_s)}",)
        case Kind.ANSWER:
            return ("not answering" if value is None else dashboard_text.seconds(value),)
        case Kind.CONDITION:
            ok, faulty, _ = condition_words(series.key)
            return (ok if value == 1 else faulty,)
        case _:
            assert_never(series.kind)


def details(
    series: Series, latest: Seen | None, finding: Finding | None, now: datetime, zone: tzinfo
) -> list[tuple[str, str]]:
    """Names and values: the newest observation, and what was found in the history."""
    pairs: list[tuple[str, str]] = []
    if latest is not None:
        age_s = (now - latest.at).total_seconds()
        pairs.append(("newest reading", f"{instant(latest.at, zone, now)}, {duration(age_s)} ago"))
        pairs.extend(_seen(latest.observation, now, zone))
    if finding is not None and finding.concern is Concern.FULL:
        pairs.extend(_found(finding, now, zone))
    pairs.append(("measured", f"every {duration(series.interval_s)} by probe {clean(series.probe)}"))
    pairs.append(("monitored since", instant(series.first_at, zone, now)))
    return pairs


def _seen(seen: Observation, now: datetime, zone: tzinfo) -> list[tuple[str, str]]:
    match seen:
        case Level():
            return [("level", dashboard_text.summary(seen))]
        case Answer() | Condition():
            return [("state", dashboard_text.summary(seen))]
        case Deadline():
            happens = (("last happened", seen.last_at),) if seen.last_at or seen.period_s else ()
            times = (*happens, ("due", seen.due_at))
            rows = [(name, instant(at, zone, now) if at else "never") for name, at in times]
            return rows + ([("expected every", duration(seen.period_s))] if seen.period_s else [])
        case _:
            assert_never(seen)


def _found(finding: Finding, now: datetime, zone: tzinfo) -> list[tuple[str, str]]:
    """When the forecast says that it is full; how it grows is shown above the picture."""
    if finding.since is not None:
        return [("full since", instant(finding.since, zone, now))]
    full = finding.forecast is not None and finding.forecast.full
    if finding.ends_at is None or full or dashboard_text.too_early(finding):
        return []
    ends = (("earliest", finding.earliest_at), ("likely", finding.ends_at), ("latest", finding.latest_at))
    return [(f"full, {name}", words.moment(at, zone, now) if at else "no upper limit") for name, at in ends]
