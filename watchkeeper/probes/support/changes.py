"""Records changes that a probe has seen; a database that cannot be written costs a change, never an observation."""

import logging
from collections.abc import Sequence

from watchkeeper.errors import StoreError
from watchkeeper.logs.fields import Event, about
from watchkeeper.model.change import Change
from watchkeeper.probes.base import ProbeContext

log = logging.getLogger(__name__)


async def record(context: ProbeContext, owner: str, changes: Sequence[Change]) -> bool:
    """Record these; False if they could not be stored. owner: the probe's label, for the log."""
    if not changes:
        return True
    try:
        await context.changes.record(changes)
    except StoreError as error:
        text = "probe %s: %d changes are not stored: %s"
        log.warning(text, owner, len(changes), error, extra=about(Event.PROBE_STATE, probe=owner))
        return False
    return True
