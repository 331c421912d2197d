"""HTTP: whether a service answers as expected, how fast, and until when its certificate is valid.

The exchange itself is in client.py; what is expected of the answer is in checks.py.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

import aiohttp
from yarl import URL

from watchkeeper.config.types import SecretSource
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Answer, Facts, Observed, SeriesKey
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services import tls
from watchkeeper.probes.services.http import errors as http_reasons
from watchkeeper.probes.services.http.checks import Checks, HttpSettings
from watchkeeper.probes.services.http.client import REDIRECTS, HttpClient, Progress, Reply, RequestSpec, within
from watchkeeper.probes.services.in_guest import Target
from watchkeeper.probes.services.served_certificate import ServedCertificate
from watchkeeper.probes.services.tls import Certificate, Handshake
from watchkeeper.probes.support.sanitize import clip

CERTIFICATE_TIMEOUT_S = 5.0
"""For the second handshake, which only reads a rejected certificate. The first handshake took less, or it timed out."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of one exchange: a reply, or the reason why there is none."""

    reply: Reply | None
    trouble: str
    certificate: Certificate | None


class HttpProbe:
    """Monitors one service."""

    def __init__(self, settings: HttpSettings, bench: ProbeContext) -> None:
        self._settings = settings
        self._clock = bench.clock
        self._checks = Checks(settings)
        self._exchanger, self._target = HttpClient(bench, settings.timeout), Target(bench, settings)
        self._url = URL(settings.url).with_fragment(None)
        self._subject = f"service {settings.name}"
        self._certificate = ServedCertificate(bench, self._subject, settings.certificate_file, settings.timeout)

    async def observe(self) -> Sequence[Observed]:
        """Make one request. Raises ProbeError only for a fault on this side: an unusable secret or CA file."""
        if unseen := await self._target.missing(self._subject):
            return unseen
        self._exchanger.pin(str(self._url.host), self._target.addresses)
        wishes, context = self._wishes(), self._context()
        progress = Progress(self._clock, self._url, Handshake(self._clock))
        begun_s = self._clock.monotonic_s()
        outcome = await self._exchange(wishes, progress, context)
        took_s = self._clock.monotonic_s() - begun_s
        return [self._answer(outcome, progress, took_s), *await self._certificate.observe(outcome.certificate)]

    async def close(self) -> None:
        """Close the session."""
        await self._exchanger.close()

    def _wishes(self) -> RequestSpec:
        settings = self._settings
        return RequestSpec(
            method=settings.method,
            url=self._url,
            headers={name: value for name, value in settings.headers.items() if isinstance(value, str)},
            secret_headers={
                name: self._secret(name, value)
                for name, value in settings.headers.items()
                if isinstance(value, SecretSource)
            },
            settled=frozenset(filter(self._checks.expects, REDIRECTS)),
            redirects=settings.redirects,
            redirects_limit=settings.redirects_limit,
            body_limit_bytes=settings.max_body,
        )

    def _secret(self, name: str, source: SecretSource) -> str:
        """A secret header's value; read each time, so that a changed secret needs no restart."""
        where = f"the secret for the header {name} of {self._subject}"
        try:
            value = source.read().get_secret_value()
        except (OSError, ValueError) as error:
            raise ProbeError(f"{where} cannot be read: {getattr(error, 'strerror', None) or 'not text'}") from None
        if not value.isprintable():
            raise ProbeError(
                f"{where} holds characters that are not allowed in a header, such as a line break; write one line"
            )
        return value

    def _context(self) -> tls.WatchedContext:
        settings = self._settings
        return tls.usable_context(self._subject, settings.ca_file, verify=settings.verify)

    async def _exchange(self, wishes: RequestSpec, progress: Progress, context: tls.WatchedContext) -> Outcome:
        try:
            reply = await within(self._settings.timeout, self._exchanger.exchange(wishes, progress, context))
        except aiohttp.ClientConnectorCertificateError as error:
            return await self._refused(error.certificate_error, progress)
        except (aiohttp.ClientError, OSError, ProbeError, ValueError) as error:
            trouble = http_reasons.why(error, str(progress.url.host))
            return Outcome(None, trouble, progress.handshake.certificate())
        if reply is None:
            trouble = http_reasons.no_answer_within(self._settings.timeout, progress)
            return Outcome(None, trouble, progress.handshake.certificate())
        return Outcome(reply, self._checks.why_not(reply), progress.handshake.certificate())

    async def _refused(self, error: Exception, progress: Progress) -> Outcome:
        """Read a certificate that was not accepted, for its dates and names."""
        host, port = str(progress.url.host), progress.url.port or 443
        try:
            async with asyncio.timeout(CERTIFICATE_TIMEOUT_S):
                shown = await tls.unverified_certificate(self._exchanger.address or host, port, host, self._clock)
        except OSError:  # Includes TimeoutError.
            shown = None
        return Outcome(None, tls.why_refused(error, shown, host, self._clock.now()), shown)

    def _answer(self, outcome: Outcome, progress: Progress, took_s: float) -> Answer:
        reply = outcome.reply
        return Answer(
            SeriesKey(self._subject, "answer"),
            answered=not outcome.trouble,
            reason=outcome.trouble,
            took_s=took_s if reply else None,
            phases=tuple(progress.phases.items()),
            facts=self._facts(reply),
        )

    def _facts(self, reply: Reply | None) -> Facts:
        facts: Facts = (("address", _public(self._url)), *self._target.facts())
        if reply is None:
            return facts
        if reply.url != self._url:
            facts += (("redirected to", _public(reply.url)),)
        return (
            *facts,
            ("status", str(reply.status)),
            ("body", f"{len(reply.body)} B{'' if reply.whole else ' or more'}"),
        )


def _public(url: URL) -> str:
    """An address that is safe to show: the query string may contain a key."""
    return clip(str(url.with_query(None)))
