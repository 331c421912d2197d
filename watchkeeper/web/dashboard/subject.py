"""The page of one subject: its history, what was found, its alerts and its event log."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any, assert_never

from aiohttp import web
from markupsafe import Markup

from watchkeeper.messages import wording as words
from watchkeeper.messages.runbook.catalog import CAUTION, find_entry
from watchkeeper.messages.runbook.entry import RunbookEntry
from watchkeeper.messages.wording import (
    amount,
    clean,
    condition_words,
    duration,
    instant,
    share,
    state_words,
    time_left_phrase,
    what_to_look_at,
)
from watchkeeper.model.alert import CONCERN, Alert, Concern, State
from watchkeeper.model.finding import Finding
from watchkeeper.model.observation import Answer, Condition, Deadline, Kind, Level, Observation, Unit
from watchkeeper.model.records import Sample, Seen, Series
from watchkeeper.model.units import DAY_S
from watchkeeper.web.api.handlers import QUANTITY_EVENTS
from watchkeeper.web.api.json_forms import stamp
from watchkeeper.web.auth.form_handlers import SHELVINGS
from watchkeeper.web.auth.session_auth import viewer
from watchkeeper.web.charts import chart_builder
from watchkeeper.web.charts.charts import NARROW, WIDE, Chart, draw
from watchkeeper.web.charts.downsample import downsample, unfold
from watchkeeper.web.context import Context, of
from watchkeeper.web.dashboard import dashboard_text
from watchkeeper.web.dashboard.related import dependents, growers
from watchkeeper.web.http.parameters import choice, moment, part
from watchkeeper.web.http.problem_details import Refusal, not_found
from watchkeeper.web.planning.capacity import links
from watchkeeper.web.templating import render

SUBJECT = part("subject", "the id of a series, or a subject's own name", str, {"type": "string"})
SPAN = choice(
    "span", "How much of the past is drawn; left out: a day or a week, by the history.", tuple(chart_builder.SPANS_S)
)
SINCE = moment("since", "The past is drawn from here on, instead of a span.")
UNTIL = moment("until", "The past is drawn up to here; left out: now.")
SHORTEST_S = 1.0
"""The shortest window: samples have a resolution of milliseconds, so less than a second shows nothing."""
TABLE_ROWS = 24
"""Rows of the table that says the same as the picture: about two screens of a phone."""
PLAIN_SAMPLES = 3_000
"""How many samples are read one by one, two days of one-minute samples; more are aggregated by the store."""
UNKNOWN_TO_KEEPER = frozenset({State.ACTIVE, State.RECTIFIED})
"""States in which an alert can be acknowledged."""


@dataclass(frozen=True, slots=True)
class AlertRow:
    """An alert of this subject as text. remedy: the runbook entry about it, while it is active."""

    alert: Alert
    concern: str
    state: str
    fact: str
    advice: str
    open: bool
    shelved: bool
    remedy: RunbookEntry | None

    def named(self, text: str) -> str:
        """A text of the remedy, about this subject."""
        return self.remedy.named(text, self.alert.key) if self.remedy else ""


async def subject(request: web.Request) -> web.Response:
    """The page of a subject, with one of its series in full."""
    context = of(request)
    now = context.clock.now()
    every = await context.store.series()
    series = find(every, SUBJECT.given(request))
    span = SPAN.of(request) or usual_span(series, now)
    window, chosen = chosen_window(request, chart_builder.SPANS_S[span], now)
    samples = await past(context, series, window)
    newest = await context.store.latest()
    latest = next((s for s in newest if s.observation.key == series.key), None)
    findings = {f.concern: f for f in await context.store.findings() if f.key == series.key}
    alerts = [a for a in await context.store.alerts() if a.key == series.key]
    main = findings.get(CONCERN[series.kind])
    chart = chart_builder.build_chart(series, samples, main.forecast if main and not chosen else None, window)
    return render(
        "subject.html",
        context,
        now,
        viewer=viewer(request),
        shelvings=_shelvings(),
        series=series,
        siblings=[s for s in every if s.key.subject == series.key.subject],
        **_drawn(window, span, chosen=chosen),
        priority=max((a.priority for a in alerts if a.priority), default=None),
        **_said(main, latest, now, context.zone),
        pictures=_pictures(chart, context.zone),
        legend=legend(series, main),
        plans=links(series.key.subject),
        resting=dependents(context, series, every),
        growers=await growers(context, series, every, newest, main),
        heads=HEADS[series.kind],
        rows=table(series, samples, context.zone, now),
        details=details(series, latest, main, now, context.zone),
        seconds=dashboard_text.seconds,
        alerts=[row(a, findings.get(a.concern), latest, now, context) for a in alerts],
        caution=CAUTION,
        lines=await context.store.journal(key=series.key, limit=QUANTITY_EVENTS),
    )


def _pictures(chart: Chart, zone: tzinfo) -> list[Markup]:
    """The same chart for a narrow and for a wide screen."""
    return [Markup(draw(chart, size, zone)) for size in (NARROW, WIDE)]  # noqa: S704  web/charts/svg.py escapes


def _shelvings() -> list[tuple[str, str]]:
    return [(value, words) for value, (words, _) in SHELVINGS.items()]


def _drawn(window: chart_builder.Window, span: str, *, chosen: bool) -> dict[str, Any]:
    """The window that is drawn, and the other ones available."""
    since, until = (datetime.fromtimestamp(s, UTC) for s in (window.since_s, window.now_s))
    return {
        "span": "" if chosen else span,
        "whole": span,
        "since": stamp(since),
        "ends": (since, until) if chosen else (),
        "spans": tuple(chart_builder.SPANS_S),
    }


def _said(main: Finding | None, latest: Seen | None, now: datetime, zone: tzinfo) -> dict[str, Any]:
    """What was found, as text, and what the newest observation says besides its value."""
    seen = latest.observation if latest else None
    return {
        "fact": time_left_phrase(main, now, zone) if main else "not known yet",
        "interval": dashboard_text.interval_of(main) if main else "",
        "reason": dashboard_text.why(main, seen, zone),
        "phases": seen.phases if isinstance(seen, Answer) else (),
        "facts": seen.facts if seen else (),
    }


def chosen_window(request: web.Request, span_s: float, now: datetime) -> tuple[chart_builder.Window, bool]:
    """The window to draw, and whether its ends were chosen: then no future is drawn."""
    since, until = (_instant(each.of(request), now) for each in (SINCE, UNTIL))
    if since is None and until is None:
        return chart_builder.Window(now.timestamp() - span_s, now.timestamp()), False
    end_s = min((until or now).timestamp(), now.timestamp())
    begin_s = since.timestamp() if since else end_s - span_s
    if end_s - begin_s < SHORTEST_S:
        raise Refusal(400, "since is not before until, or both lie ahead: nothing lies between them.")
    return chart_builder.Window(max(begin_s, 0.0), end_s), True


def _instant(value: datetime | timedelta | None, now: datetime) -> datetime | None:
    return now + value if isinstance(value, timedelta) else value


async def past(context: Context, series: Series, window: chart_builder.Window) -> Sequence[Sample]:
    """The samples of a window.

    The store aggregates those of a long window before they are read: a year has half a million.
    """
    since, until = (datetime.fromtimestamp(s, UTC) for s in (window.since_s, window.now_s))
    if window.span_s / series.interval_s <= PLAIN_SAMPLES:
        return await context.store.samples(series.key, since, until)
    return unfold(await context.store.samples_thinned(series.key, since, until, chart_builder.POINTS))


def usual_span(series: Series, now: datetime) -> str:
    """The default span: a day for a series that is not older, else a week."""
    return "day" if (now - series.first_at).total_seconds() <= DAY_S else "week"


def find(every: Sequence[Series], wanted: str) -> Series:
    """The series with an id, or the first one of a subject. Raises Refusal (404)."""
    for each in every:
        if wanted in {str(each.id), each.key.subject}:
            return each
    raise not_found(f"There is no subject {clean(wanted, 80)}.")


def row(alert: Alert, finding: Finding | None, latest: Seen | None, now: datetime, context: Context) -> AlertRow:
    """One alert."""
    standing = alert.state is not State.NORMAL and alert.standing
    return AlertRow(
        alert,
        alert.concern.value,
        state_words(alert.state),
        time_left_phrase(finding, now, context.zone) if finding else "",
        what_to_look_at(alert.concern, alert.key, latest.observation if latest else None) if standing else "",
        alert.state in UNKNOWN_TO_KEEPER,
        alert.shelved(now),
        find_entry(alert.concern, alert.key) if standing else None,
    )


def legend(series: Series, finding: Finding | None) -> str:
    """What the picture's lines mean."""
    match series.kind:
        case Kind.LEVEL:
            drawn = "The line is what was used."
            if finding is None or finding.forecast is None or finding.forecast.line is None:
                return drawn
            if finding.forecast.likely_s is None:
                return f"{drawn} The dashed line is the trend that was fitted."
            return f"{drawn} The dashed line is the trend; the fan opens to the earliest and the latest time to full."
        case Kind.DEADLINE:
            return "The line is the time that was left: it falls, and jumps up each time that it happens again."
        case Kind.ANSWER:
            return "The line is the time that an answer took. Shaded: no answer."
        case Kind.CONDITION:
            return "The line stands high while it is sound, and low while it is not, which is shaded too."
        case _:
            assert_never(series.kind)


HEADS = {
    Kind.LEVEL: ("used", "of", "share"),
    Kind.DEADLINE: ("left",),
    Kind.ANSWER: ("took",),
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
                return ("never happened",)
            left_s = value - sample.at_s
            return (duration(left_s) if left_s >= 0 else f"overdue for {duration(-left_s)}",)
        case Kind.ANSWER:
            return ("no answer" if value is None else dashboard_text.seconds(value),)
        case Kind.CONDITION:
            sound, unsound, _ = condition_words(series.key)
            return (sound if value == 1 else unsound,)
        case _:
            assert_never(series.kind)


def details(
    series: Series, latest: Seen | None, finding: Finding | None, now: datetime, zone: tzinfo
) -> list[tuple[str, str]]:
    """Names and values: the newest observation, and what was found in the history."""
    pairs: list[tuple[str, str]] = []
    if latest is not None:
        age_s = (now - latest.at).total_seconds()
        pairs.append(("newest sample", f"{instant(latest.at, zone, now)}, {duration(age_s)} ago"))
        pairs.extend(_seen(latest.observation, now, zone))
    if finding is not None and finding.concern is Concern.FULL:
        pairs.extend(_found(finding, now, zone))
    pairs.append(("sampled", f"every {duration(series.interval_s)} by {clean(series.probe)}"))
    pairs.append(("watched since", instant(series.first_at, zone, now)))
    return pairs


def _seen(seen: Observation, now: datetime, zone: tzinfo) -> list[tuple[str, str]]:
    match seen:
        case Level():
            return [("fill", dashboard_text.summary(seen))]
        case Answer() | Condition():
            return [("state", dashboard_text.summary(seen))]
        case Deadline():
            times = (("last happened", seen.last_at), ("due", seen.due_at))
            told = [(name, instant(at, zone, now) if at else "never") for name, at in times]
            return told + ([("expected every", duration(seen.period_s))] if seen.period_s else [])
        case _:
            assert_never(seen)


def _found(finding: Finding, now: datetime, zone: tzinfo) -> list[tuple[str, str]]:
    """When the forecast says that it is full; how it grows is shown above the picture."""
    if finding.ends_at is None:
        return []
    ends = (("earliest", finding.earliest_at), ("likely", finding.ends_at), ("latest", finding.latest_at))
    return [(f"full, {name}", words.moment(at, zone, now) if at else "no end in sight") for name, at in ends]
