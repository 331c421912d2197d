"""Certificates in files, made by a real authority."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from tests.probes.tlsservers import issue
from watchkeeper.errors import ProbeError
from watchkeeper.model.observation import Deadline, Unseen
from watchkeeper.probes.base import ProbeContext
from watchkeeper.probes.services.certificate_files import CertificatesProbe, CertificatesSettings, read_file

SOON = datetime.now(UTC).replace(microsecond=0) + timedelta(days=5)


def files(*patterns: object) -> CertificatesSettings:
    """A probe of these files."""
    return CertificatesSettings.model_validate({"files": [str(each) for each in patterns]})


async def test_a_chain_ends_with_its_first_certificate(bench: ProbeContext, tmp_path: Path) -> None:
    """A host's certificate that ends, and one whose authority ends before it."""
    (tmp_path / "host").mkdir()
    issue(tmp_path / "host", trustme.CA(), SOON)
    short = trustme.CA()
    own = short.issue_cert("localhost", not_after=SOON + timedelta(days=50))
    middle = trustme.CA().issue_cert("skerry-authority.test", not_after=SOON)
    (tmp_path / "chain.pem").write_bytes(
        own.private_key_pem.bytes() + own.cert_chain_pems[0].bytes() + middle.cert_chain_pems[0].bytes()
    )
    seen = await CertificatesProbe(files(tmp_path / "host/chain.pem", tmp_path / "*.pem"), bench).observe()
    first, second = [each for each in seen if isinstance(each, Deadline)]
    assert (first.due_at, second.due_at) == (SOON, SOON)
    assert str(first.key) == f"certificate file {tmp_path}/chain.pem: validity"
    assert "ends first" in dict(first.facts)
    assert "ends first" not in dict(second.facts)
    assert dict(second.facts)["names"] == "localhost"


async def test_files_that_cannot_be_told(bench: ProbeContext, tmp_path: Path) -> None:
    """Each says why; none that matches is a fault of the probe."""
    (tmp_path / "a.pem").write_text("-----BEGIN CERTIFICATE-----\naGk=\n-----END CERTIFICATE-----\n")
    (tmp_path / "b.pem").write_text("nothing")
    (tmp_path / "c.pem").write_text("-----BEGIN CERTIFICATE-----\n&\n-----END CERTIFICATE-----\n")
    seen = await CertificatesProbe(files(tmp_path / "*.pem"), bench).observe()
    assert [each.why.removeprefix(f"{tmp_path}/") for each in seen if isinstance(each, Unseen)] == [
        "a.pem has a certificate that cannot be read",
        "b.pem has no certificate in PEM form",
        "c.pem has a certificate that cannot be read",
    ]
    with pytest.raises(ProbeError, match="no file matches"):
        await CertificatesProbe(files(tmp_path / "*.crt"), bench).observe()
    with pytest.raises(ProbeError, match="cannot be read"):
        read_file(tmp_path)
