"""The `[heartbeat]` table: who receives a regular heartbeat. Not here: sending it (daemon/heartbeat.py)."""

from typing import Annotated

from pydantic import AfterValidator, AnyHttpUrl, Field

from watchkeeper.config.fields import LONGEST_S, Duration, Strict, WholePath
from watchkeeper.config.types import SecretSource


def _whole_url(url: AnyHttpUrl) -> AnyHttpUrl:
    if url.username or url.password:
        raise ValueError("holds a user or password; read the address from a file instead")
    return url


class HeartbeatSettings(Strict):
    """The receiver of a regular POST, which is sent only while probes, rules, database and deliveries work.

    url: the address to POST to; from a file or credential if it is a secret. By default no heartbeat is sent.
    every: time between heartbeats.
    timeout: time after which one attempt is abandoned. The next one follows at its usual time.
    ca_file: CA certificates (PEM) for the receiver's certificate, instead of the system's.
    token: sent as `Authorization: Bearer TOKEN`; the token of a job, if the receiver is another watchkeeper.
    """

    url: Annotated[AnyHttpUrl, AfterValidator(_whole_url)] | SecretSource | None = None
    every: Annotated[Duration, Field(ge=1, le=LONGEST_S)] = 300.0
    timeout: Annotated[Duration, Field(le=600)] = 30.0
    ca_file: WholePath | None = None
    token: SecretSource | None = None
