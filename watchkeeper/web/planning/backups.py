"""The page and the API of backups: which guest, volume or store has one, how old, and when it was last restored."""

from dataclasses import dataclass

from aiohttp import web

from watchkeeper.messages.wording import duration
from watchkeeper.planning.backups import BackupsAnswer, Coverage, GuestBackup, summary
from watchkeeper.web.api.handlers import reply
from watchkeeper.web.auth.session_auth import session_of, viewer
from watchkeeper.web.context import of
from watchkeeper.web.planning.backups_json import backups_form
from watchkeeper.web.planning.capacity import age
from watchkeeper.web.planning.planner import PLANNER, CannotPlan, Planned, refused
from watchkeeper.web.planning.response_types import Backups
from watchkeeper.web.templating import render


@dataclass(frozen=True, slots=True)
class GuestRow:
    """A guest. fit: the sign of the planning pages: yes, no or not known."""

    name: str
    fit: str
    coverage: str
    newest: str
    disks: str
    restored: str
    reasons: tuple[str, ...]


async def page(request: web.Request) -> web.Response:
    """Every guest, volume and store, those without a good backup first."""
    context = of(request)
    planned = await _asked(request)
    answer = planned.answer
    return render(
        "backups.html",
        context,
        context.clock.now(),
        viewer=viewer(request),
        summary=summary(answer),
        parts=[
            (heading, [_row(each, answer) for each in sorted(rows, key=_order)])
            for heading, rows in (
                ("Guests", answer.guests),
                ("Volumes of containers", answer.volumes),
                ("Stores", answer.stores),
            )
            if rows
        ],
        unseen=answer.unseen,
        as_json="backups",
        age=age(planned.looked_at, context),
    )


def _order(each: GuestBackup) -> tuple[bool, str]:
    return each.coverage is Coverage.GOOD, each.name


async def backups(request: web.Request) -> web.Response:
    """The page as JSON, as the command prints it."""
    planned = await _asked(request)
    return reply(Backups(host=of(request).host, **backups_form(planned.answer)))


async def _asked(request: web.Request) -> Planned[BackupsAnswer]:
    try:
        return await request.app[PLANNER].backups(signed_in=session_of(request) is not None)
    except CannotPlan as error:
        raise refused(error) from error


def _row(guest: GuestBackup, answer: BackupsAnswer) -> GuestRow:
    newest = f"{duration((answer.at - guest.newest_at).total_seconds())} old" if guest.newest_at else ""
    fit = {Coverage.GOOD: "yes", Coverage.UNKNOWN: "not known"}.get(guest.coverage, "no")
    return GuestRow(
        guest.name,
        fit,
        guest.coverage.value,
        newest,
        ", ".join(guest.disks),
        _restored(guest),
        guest.reasons,
    )


def _restored(guest: GuestBackup) -> str:
    """When a copy was last restored. Empty without a copy, or if the line of the only one says it."""
    last = max((each.restored_at for each in guest.copies if each.restored_at), default=None)
    if not guest.copies or (last and len(guest.copies) == 1):
        return ""
    return f"last proven restore {last:%Y-%m-%d}" if last else "no restore of it was ever reported"
