"""The `[heartbeat]` table: who receives a regular heartbeat. Not here: sending it (heartbeat.py)."""

from typing import Annotated

from pydantic import AfterValidator, AnyHttpUrl, Field

from watchkeeper.config.fields import LONGEST_S, Duration, Strict, WholePath
from watchkeeper.config.types import SecretSource


def _whole_url(url: AnyHttpUrl) -> AnyHttpUrl:
    if url.username or url.password:
        raise ValueError("holds a user or password; read the whole address from a file instead")
    return url


class HeartbeatSettings(Strict):
    """Who is told that this watch is alive, and that its probes, rules, records and deliveries work; only then.

    url: where to POST that to; where the address itself is a secret, from a file or credential. Where none is set,
    nobody is told.
    every: from one time to the next.
    timeout: after which one try is given up; the next comes at its time.
    ca_file: authorities (PEM) for the receiver's certificate, in place of the system's.
    """

    url: Annotated[AnyHttpUrl, AfterValidator(_whole_url)] | SecretSource | None = None
    every: Annotated[Duration, Field(ge=1, le=LONGEST_S)] = 300.0
    timeout: Annotated[Duration, Field(le=600)] = 30.0
    ca_file: WholePath | None = None
