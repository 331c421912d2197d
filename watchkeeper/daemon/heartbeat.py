"""Sends a heartbeat to an address of the operator's choice at a fixed interval; its absence there is an alarm.

It is sent only while everything works: probes, rules, records and deliveries, as the health path reports it (`pass`).
So a receiver that gets none knows that something is wrong here, even if nothing here could report it. One POST of a
small JSON object; it contains nothing of what is monitored. The answer's body is not read, and redirects are not
followed.
"""

import asyncio
import json
import logging
from datetime import UTC
from typing import Protocol

import aiohttp
from yarl import URL

from watchkeeper import __version__
from watchkeeper.clock import Clock
from watchkeeper.config.tables.heartbeat import HeartbeatSettings
from watchkeeper.config.types import SecretSource
from watchkeeper.errors import DeliveryError
from watchkeeper.http_answers import BoundedAnswer
from watchkeeper.logs.fields import Event, about
from watchkeeper.notifiers.base import read_secret, trust
from watchkeeper.notifiers.webhook.webhook import trouble_of
from watchkeeper.web.dashboard.health import HealthReport, Measurements

log = logging.getLogger(__name__)

LABEL = " heartbeat"
"""Among the scheduled tasks; no probe can have this name, because names are stripped."""


class HealthSource(Protocol):
    """Reports how the daemon is."""

    def read(self) -> Measurements:
        """The current state."""
        ...


class Heartbeat:
    """Sends to one address. `tell` never raises: failures are logged, once for each change."""

    def __init__(self, settings: HeartbeatSettings, clock: Clock, vitals: HealthSource, host: str) -> None:
        self._settings, self._clock, self._vitals, self._host = settings, clock, vitals, host
        self._said = ""

    async def tell(self) -> None:
        """Send one heartbeat, if everything works."""
        signs = self._vitals.read()
        if signs.fitness is not HealthReport.PASS:
            self._note(f"no heartbeat is sent: {'; '.join(signs.troubles)}")
            return
        try:
            async with asyncio.timeout(self._settings.timeout):
                status = await self._post()
        except TimeoutError:
            self._note("heartbeat: the receiver did not answer in time")
        except DeliveryError as error:
            self._note(str(error))
        except (aiohttp.ClientError, OSError) as error:
            self._note(f"heartbeat: {trouble_of(error)}")
        else:
            well = 200 <= status < 300
            self._note("" if well else f"heartbeat: the receiver answered {status}, expected 2xx")

    async def _post(self) -> int:
        url = await asyncio.to_thread(self._url)
        connector = aiohttp.TCPConnector(ssl=await trust(self._settings.ca_file), force_close=True)
        headers = {"Content-Type": "application/json", "User-Agent": f"watchkeeper/{__version__}"}
        if self._settings.token is not None:
            token = await asyncio.to_thread(read_secret, self._settings.token, "heartbeat.token")
            headers["Authorization"] = f"Bearer {token}"
        # trust_env False: a proxy from the environment would be an address that is not in the configuration.
        async with (
            aiohttp.ClientSession(connector=connector, trust_env=False, response_class=BoundedAnswer) as session,
            session.post(url, data=self._body(), headers=headers, allow_redirects=False) as response,
        ):
            response.close()
            return response.status

    def _url(self) -> URL:
        source = self._settings.url
        text = read_secret(source, "heartbeat.url") if isinstance(source, SecretSource) else str(source)
        return URL(text.strip())

    def _body(self) -> bytes:
        at = self._clock.now().astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        content = {
            "host": self._host,
            "status": "pass",
            "at": at,
            "every_s": self._settings.every,
            "version": __version__,
        }
        return json.dumps(content, separators=(",", ":")).encode()

    def _note(self, said: str) -> None:
        """Log changes only: an address that is down for a night is one line, and one when it is back."""
        if said and said != self._said:
            log.warning("%s", said, extra=about(Event.HEARTBEAT))
        elif self._said and not said:
            log.info("heartbeats are sent again", extra=about(Event.HEARTBEAT))
        self._said = said
