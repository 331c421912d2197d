"""The conditions of the probe `backups`: guests without a backup, and guests with theirs on their own store only.

Not here: what the copies of a guest are worth (planning/backups.py), and how they are found (backups.py).
"""

from collections.abc import Sequence
from fnmatch import fnmatchcase

from watchkeeper.inventory import scan
from watchkeeper.inventory.backups import backups
from watchkeeper.model.observation import Condition, Observed, Unseen
from watchkeeper.planning.backups import BackupsAnswer, Coverage, GuestBackup, guests_with
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.own.backups import EXISTS, PLACED, WHAT
from watchkeeper.settings import Settings

FACTS_LIMIT = 20
"""Guests that the facts list; `watchkeeper backups` lists all."""

REMEDY = (
    "name the guest in backup_of of the probe that monitors its backup (kind snapshots or job), or in exclude of the "
    "probe of kind backups if it needs none"
)


async def of_host(settings: Settings, context: ProbeContext, exclude: Sequence[str]) -> Sequence[Observed]:
    """Read the host, and compare its guests with their backups. exclude: guests that need none. Raises ProbeError."""
    return conditions(await backups(settings, await scan.look(settings, context), context), exclude)


def conditions(found: BackupsAnswer, exclude: Sequence[str]) -> list[Observed]:
    """Both conditions, then what is not known; without a guest no condition."""
    guests = [each for each in found.guests if not any(fnmatchcase(each.name, glob) for glob in exclude)]
    unseen: list[Observed] = [Unseen(WHAT, each) for each in found.unseen if each.startswith("guest")]
    unseen += [
        Unseen(f"{WHAT}: {each.name}", "; ".join(each.reasons)) for each in guests if each.coverage is Coverage.UNKNOWN
    ]
    return [_exists(guests), _placed(guests), *unseen] if guests else unseen


def _exists(guests: Sequence[GuestBackup]) -> Condition:
    said = guests_with(guests, Coverage.NONE, "has no backup that is known", "have no backup that is known")
    facts = tuple((each.name, each.coverage.value) for each in guests[:FACTS_LIMIT])
    return Condition(EXISTS, not said, f"{said}: {REMEDY}" if said else "", facts=facts)


def _placed(guests: Sequence[GuestBackup]) -> Condition:
    one, several = "has backups on its own store only", "have backups on their own store only"
    said = guests_with(guests, Coverage.SHARED, one, several)
    return Condition(PLACED, not said, f"{said}: both are lost together" if said else "")
