"""The queue of the local mail server: whether mail leaves it. Cron jobs and many programs report only by local mail.

`postqueue -j` of Postfix, one JSON object per line and message: postqueue(1). Any user may run it, but not a service
that may gain no privileges (NoNewPrivileges=): it needs its group to reach the queue. So the helper is asked first.
Addresses of people are not read: the reason of the delay is enough.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from watchkeeper.config.types import Duration
from watchkeeper.errors import PrivilegeMissing, ProbeError, ToolMissing
from watchkeeper.model.observation import Condition, Facts, Observation, SeriesKey
from watchkeeper.model.units import format_age, format_duration
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.support.sanitize import clip
from watchkeeper.probes.support.tools import RootsideSettings, ask_root, result_of, run_tool

KEY = SeriesKey("mail queue", "leaving")

QUEUE = ("postqueue", "-j")

WAITING = frozenset({"active", "deferred", "incoming", "maildrop"})
"""Queues whose mail should leave. The queue `hold` waits for a person."""


class MailQueueSettings(RootsideSettings):
    """The queue of the local mail server (Postfix): mail that waits for too long. A service needs the helper."""

    kind: Literal["mail-queue"] = "mail-queue"
    every: Duration = Field(600.0, description="time from one sample to the next")
    age_limit: Duration = Field(14_400.0, description="age above which a waiting message is a fault")


class _Recipient(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    delay_reason: str = ""


class Queued(BaseModel):
    """One message. arrival_time: seconds since 1970."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    queue_name: str = ""
    arrival_time: float = Field(ge=0, allow_inf_nan=False)
    recipients: tuple[_Recipient, ...] = ()


def read_queue(text: str) -> list[Queued]:
    """The messages that should leave. Lines of another form are left out: a later version may add some."""
    found = []
    for line in text.split("\n"):
        try:
            one = Queued.model_validate_json(line.encode("utf-8", "surrogateescape"))
        except ValidationError:
            continue
        if one.queue_name in WAITING:
            found.append(one)
    return found


async def list_queue(bench: ProbeContext, helper: Path, timeout_s: float) -> list[Queued]:
    """The messages that should leave, from the helper, or from the tool itself where there is none.

    Raises ToolMissing if there is no such mail server, PrivilegeMissing, ProbeTimeout, StillHanging and ProbeError.
    """
    try:
        return read_queue(result_of(await ask_root(bench, "mail-queue", helper, timeout_s), QUEUE[0], timeout_s))
    except PrivilegeMissing as missing:
        try:
            return read_queue(await run_tool(bench, QUEUE, timeout_s))
        except ToolMissing:
            raise
        except ProbeError:
            raise missing from None


class MailQueueProbe(BaseProbe):
    """Monitors the queue."""

    def __init__(self, settings: MailQueueSettings, bench: ProbeContext) -> None:
        self._settings, self._bench = settings, bench

    async def observe(self) -> Sequence[Observation]:
        """List the queue. Raises ProbeError if the mail server does not."""
        waiting = await list_queue(self._bench, self._settings.helper, self._settings.timeout)
        facts: Facts = (("waiting", str(len(waiting))),)
        if not waiting:
            return [Condition(KEY, ok=True, facts=facts)]
        oldest = min(waiting, key=lambda each: each.arrival_time)
        now_s = self._bench.clock.now().timestamp()
        age_s = max(now_s - oldest.arrival_time, 0.0)
        facts += (
            ("oldest from", f"{datetime.fromtimestamp(min(oldest.arrival_time, now_s), UTC):%Y-%m-%d %H:%M} UTC"),
        )
        reasons = [each.delay_reason for each in oldest.recipients if each.delay_reason]
        if reasons:
            facts += (("why it waits", clip(reasons[0], 200)),)
        limit_s = self._settings.age_limit
        late = [each for each in waiting if now_s - each.arrival_time > limit_s]
        messages = "1 message waits" if len(late) == 1 else f"{len(late)} messages wait"
        reason = (
            f"{messages} for longer than {format_duration(limit_s)}, the oldest for {format_age(age_s)}" if late else ""
        )
        return [Condition(KEY, not late, reason, facts=facts)]
