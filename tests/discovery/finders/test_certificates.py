"""Certificates in the usual folders are proposed."""

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from tests.discovery.conftest import document, usable
from tests.probes.tlsservers import issue
from watchkeeper.discovery.finders import files
from watchkeeper.discovery.host import Host

SOON = datetime.now(UTC) + timedelta(days=5)


async def test_a_folder_with_certificates(host: Host, tmp_path: Path) -> None:
    """One pattern a folder; a folder without any, or with keys alone, is none."""
    for each in ("etc/dovecot", "etc/ldap"):
        (tmp_path / each).mkdir(parents=True)
    issue(tmp_path / "etc/dovecot", trustme.CA(), SOON)
    (tmp_path / "etc/ldap/key.pem").write_text("a key")
    found = await files.find_certificates(replace(host, root=tmp_path))
    (proposal,) = found.proposals
    assert proposal.table() == {"kind": "certificates", "files": (f"{tmp_path}/etc/dovecot/*.pem",)}
    usable(document(proposal))


async def test_no_certificates(host: Host, tmp_path: Path) -> None:
    """None is searched for in vain."""
    found = await files.find_certificates(replace(host, root=tmp_path))
    assert found.absent == ("certificates in the usual folders",)


async def test_a_folder_that_may_not_be_read(host: Host, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is named with the remedy. Root may read everything, so the answer of access(2) is replaced."""
    (tmp_path / "etc/letsencrypt/live").mkdir(parents=True)
    monkeypatch.setattr(os, "access", lambda *_: False)
    found = await files.find_certificates(replace(host, root=tmp_path))
    (unseen,) = found.unseen
    assert str(unseen).endswith("may not be read. Let the daemon's user read that folder, if certificates are in it.")
