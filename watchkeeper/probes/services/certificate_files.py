"""Certificates in files: when the first of a chain ends.

Only PEM (RFC 7468). A private key in the same file is not looked at. Not here: whether a service serves the certificate
of a file (served_certificate.py).
"""

import glob
import os
import re
import ssl
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from watchkeeper.config.types import Duration, ProbeSettings, absolute_pattern
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Deadline, Facts, Observed, SeriesKey, Unseen
from watchkeeper.os_errors import explained
from watchkeeper.probes.base import BaseProbe, ProbeContext
from watchkeeper.probes.services.tls import Certificate, read_certificate
from watchkeeper.probes.support.sanitize import clip

FILE_LIMIT_BYTES = 2**20
"""The certificates of all authorities of a distribution have 220 KiB."""

FILES_LIMIT = 200
"""Files of one pattern that are read."""

_BLOCK = re.compile(r"-----BEGIN CERTIFICATE-----.+?-----END CERTIFICATE-----", re.DOTALL)


@dataclass(frozen=True, slots=True)
class CertificateFile:
    """The certificates of a file, its own first. changed_at: when the file was written."""

    path: Path
    chain: tuple[Certificate, ...]
    changed_at: datetime

    @property
    def first_to_end(self) -> Certificate:
        """The certificate of the chain that ends first: without it the rest is not trusted."""
        return min(self.chain, key=lambda each: each.not_after)


def read_file(path: Path) -> CertificateFile:
    """Read a file. Blocks. Raises ProbeError if it has no certificate or cannot be read."""
    try:
        with path.open("rb") as file:
            changed_s = os.fstat(file.fileno()).st_mtime
            text = file.read(FILE_LIMIT_BYTES).decode("ascii", "replace")
    except PermissionError as error:
        raise ProbeError(f"{path} may not be read; give watchkeeper's user the right to read it") from error
    except OSError as error:
        raise ProbeError(f"{path} cannot be read: {explained(error)}") from error
    return CertificateFile(path, tuple(read_chain(text, path)), datetime.fromtimestamp(changed_s, UTC))


def read_chain(text: str, path: Path) -> list[Certificate]:
    """The certificates in a text. Raises ProbeError if there is none, or one that cannot be read."""
    chain = []
    for block in _BLOCK.findall(text):
        try:
            found = read_certificate(ssl.PEM_cert_to_DER_cert(block))
        except ValueError:
            found = None
        if found is None:
            raise ProbeError(f"{path} has a certificate that cannot be read")
        chain.append(found)
    if not chain:
        raise ProbeError(f"{path} has no certificate in PEM form")
    return chain


class CertificatesSettings(ProbeSettings):
    """Certificates in files: when they expire."""

    kind: Literal["certificates"] = "certificates"
    every: Duration = Field(3600.0, description="time between runs")
    timeout: Duration = Field(10.0, description="time after which a run is abandoned")
    files: tuple[Annotated[str, AfterValidator(absolute_pattern("/etc/ssl/gannet/*.pem"))], ...] = Field(
        min_length=1, description="certificates in PEM form; paths or globs, such as /etc/ssl/gannet/*.pem"
    )


class CertificatesProbe(BaseProbe):
    """Monitors certificates in files."""

    def __init__(self, settings: CertificatesSettings, context: ProbeContext) -> None:
        self._settings, self._workers = settings, context.workers

    async def observe(self) -> Sequence[Observed]:
        """Read every file once. Raises ProbeError if no file matches, ProbeTimeout, StillHanging."""
        found = await self._workers.call("certificates in files", lambda: list(self._read()), self._settings.timeout)
        if not found:
            raise ProbeError(f"no file matches {clip(', '.join(self._settings.files), 200)}")
        return found

    def _read(self) -> Iterator[Observed]:
        paths = sorted({path for each in self._settings.files for path in glob.iglob(each)})  # noqa: PTH207  any bytes
        for path in paths[:FILES_LIMIT]:
            subject = f"certificate file {clip(path, 200)}"
            try:
                file = read_file(Path(path))
            except ProbeError as error:
                yield Unseen(subject, str(error))
                continue
            yield _deadline(subject, file)


def _deadline(subject: str, file: CertificateFile) -> Deadline:
    ends, own = file.first_to_end, file.chain[0]
    facts: Facts = (("names", clip(", ".join(own.names), 200)),) if own.names else ()
    if own.issuer:
        facts += (("issuer", clip(own.issuer, 100)),)
    if ends is not own:
        facts += (("ends first", f"a certificate of the chain, issued by {clip(ends.issuer, 100)}"),)
    return Deadline(SeriesKey(subject, "validity"), ends.not_after, facts=facts)
