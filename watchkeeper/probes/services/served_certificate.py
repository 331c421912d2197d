"""The certificate that a service serves: when it expires, and whether it is the one in a file on this host.

A renewal writes the file; the service must then be told, or it serves the old certificate until that expires.
"""

from collections.abc import Sequence
from datetime import datetime
from functools import partial
from pathlib import Path

from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Condition, Deadline, Facts, Observed, SeriesKey, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.certificate_files import CertificateFile, read_file
from watchkeeper.probes.services.tls import Certificate
from watchkeeper.probes.support.sanitize import clip

RENEWED_GRACE_S = 3600.0
"""A service is told of its new certificate within minutes of the renewal."""


class ServedCertificate:
    """What is observed of the certificate of one service."""

    def __init__(self, context: ProbeContext, subject: str, file: Path | None, timeout_s: float) -> None:
        """file: where the service has its certificate from, on this host."""
        self._context, self._subject, self._file, self._timeout_s = context, subject, file, timeout_s
        self._last: Certificate | None = None
        self._kept: tuple[tuple[int, ...], CertificateFile] | None = None

    async def observe(self, shown: Certificate | None) -> Sequence[Observed]:
        """The expiry, and the comparison with the file. shown: what the service showed now; None if nothing.

        The last one seen is used while none is shown. Raises ProbeTimeout and StillHanging.
        """
        self._last = known = shown or self._last
        if known is None:
            return []
        facts: Facts = (("for", clip(", ".join(known.names))), ("issued by", clip(known.issuer)))
        if shown is None:
            facts += (("seen", "not this time; this is the last one"),)
        key = SeriesKey(self._subject, "certificate")
        seen: list[Observed] = [Deadline(key, due_at=known.not_after, last_at=known.not_before, facts=facts)]
        return [*seen, await self._compared(self._file, known)] if self._file else seen

    async def _compared(self, path: Path, served: Certificate) -> Observed:
        try:
            file = await self._context.workers.call(f"certificate {path}", partial(self._read, path), self._timeout_s)
        except ProbeError as error:
            return Unseen(f"{self._subject}: served certificate", str(error))
        return compare(self._subject, file, served, self._context.clock.now())

    def _read(self, path: Path) -> CertificateFile:
        """The file; the same as before if it is the same file, unchanged. Blocks. Raises ProbeError."""
        try:
            found = path.stat()
        except OSError:
            return read_file(path)  # It says why.
        # With the time of the inode's change: a renewal may keep the time of the content (cp -p), or change the rights.
        version = found.st_dev, found.st_ino, found.st_mtime_ns, found.st_ctime_ns, found.st_size
        if self._kept is None or self._kept[0] != version:
            self._kept = version, read_file(path)
        return self._kept[1]


def compare(subject: str, file: CertificateFile, served: Certificate, now: datetime) -> Condition:
    """Whether the certificate of a file is the one that a service serves; a newer one in the file is a fault.

    An older one in the file is none: the service then has its certificate from elsewhere.
    """
    own = file.chain[0]
    facts: Facts = (
        ("served", f"until {served.not_after:%Y-%m-%d}"),
        ("in the file", f"until {own.not_after:%Y-%m-%d}"),
        ("file written", f"{file.changed_at:%Y-%m-%d %H:%M} UTC"),
    )
    renewed = own.fingerprint != served.fingerprint and own.not_after > served.not_after
    late = renewed and (now - file.changed_at).total_seconds() > RENEWED_GRACE_S
    reason = f"{file.path} has a newer certificate; reload the service" if late else ""
    return Condition(SeriesKey(subject, "served certificate"), not late, reason, facts=facts)
